"""What the command line says of a preview and of a pack."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from statistics import median
from typing import Any

from oneshot.core.text import counted
from oneshot.kit.report.lines import BLANK, Line, plain, table
from oneshot.kit.report.text import duration, size

NAMED = 12
"""How many of what is left out are named."""


def preview_lines(record: Mapping[str, Any]) -> list[Line]:
    """A preview as lines: where it lies, what plays, how loud it is and, of a replayed take, how it differs."""
    level, peak = record["integrated_lufs"], record["true_peak_dbtp"]
    lines: list[Line] = [
        ("head", plain(f"{record['path']}: {counted(record['notes'], 'hit')} in {duration(record['seconds'])}")),
        ("text", f"  {'loudness not measurable' if level is None else f'{level:.1f} LUFS'}, "
                 f"{'silent' if peak is None else f'{peak:.1f} dBTP'}"
                 + (f", peaks limited by up to {record['held_back_db']:.1f} dB"
                    if record["held_back_db"] >= 0.05 else "")),
        ("quiet", "  Start listening at a low level: drum hits are sudden and may be loud.")]
    if record["replayed"]:
        rows = [["drum", "hits", "level dB", "±", "late ms"]]
        rows += [[row["drum"], str(row["strokes"]), f"{row['level_db']:+.1f}", f"{row['spread_db']:.1f}",
                  f"{row['late_ms']:+.2f}"] for row in record["replayed"]]
        lines += [BLANK, ("text", "Replay compared with the recording, first 100 ms of each hit (medians):")]
        lines += [("text", line) for line in table(rows, right=(1, 2, 3, 4), indent=2)]
    elif record["take"] is not None:
        lines += [BLANK, ("text", "Not compared with the recording: name its folder with --session.")]
    return lines


def pack_lines(texts: Sequence[tuple[str, str]], caution: str, made: Mapping[str, Any] | None, *,
               kit: bool = True, left_out: Sequence[str] = (), told: Sequence[str] = ()) -> list[Line]:
    """A pack as lines: the texts it publishes, and what was written; ``made`` None: nothing yet. ``kit``: it is a
    kit's, not a session's; ``left_out``: what lies in its folder and stays there; ``told``: what its owner should know.
    """
    lines: list[Line] = [("head", "Texts that will be published:")]
    lines += [("text", line) for line in table(texts, indent=2)]
    if left_out:
        some = ", ".join(left_out[:NAMED]) + (f" and {len(left_out) - NAMED} more" if len(left_out) > NAMED else "")
        lines += [BLANK, ("text", plain(f"Left out, not part of the kit: {some}"))]
    lines += [BLANK, ("warn", caution), *(("warn", plain(f"{line[0].upper()}{line[1:]}.")) for line in told), BLANK]
    if made is None:
        return [*lines, ("text", "Nothing was written. If all of this may be published, run again with --yes.")]
    lines.append(("head", plain(f"{made['path']}: {counted(made['files'], 'file')}, {size(made['size_bytes'])}")))
    lines.append(("text", plain(f"  licence: {made['licence']}")))
    if made["changes"]:
        differ = counted(len(made["changes"]), "file differs", "files differ")
        lines.append(("text", f"  {differ} from the last release: see its CHANGES.txt"))
        lines += [("text", plain(f"    {line}")) for line in made["news"][:NAMED] if line]
    if not kit:
        return [*lines, ("text", "  Listen before releasing it: talk between takes is in every mic.")]
    lines.append(("text", "  Locked: later builds keep its names, layers, velocities and keys."
                  if made["locked"] else "  Not locked: if you release it all the same, keep the zip and build with "
                  "--last."))
    return lines


def remeasured_lines(record: Mapping[str, Any]) -> list[Line]:
    """What ``oneshot remeasure`` shows: how many files had changed, by how much, and how the layers moved."""
    changed = record["changed"]
    if not changed:
        return [("text", plain(f"{record['kit']}: no file has changed; nothing was written."))]
    have = f"of {counted(record['files'], 'file')} {'has' if len(changed) == 1 else 'have'}"
    lines: list[Line] = [("head", plain(f"{record['kit']}: {len(changed):,} {have} changed; measurements and mappings "
                                        "updated"))]
    late = Counter("unknown" if each["latency_frames"] is None else
                   f"{counted(each['latency_frames'], 'frame')}{', removed' if each['aligned'] else ''}"
                   for each in changed)
    levels = [each["level_db"] for each in changed if each["level_db"] is not None]
    if levels:
        lines.append(("text", f"  loudness {min(levels):+.1f} to {max(levels):+.1f} dB, median {median(levels):+.1f}"))
    lines.append(("text", "  latency " + "; ".join(f"{what}: {count:,}" for what, count in late.most_common())))
    if record["moved_db"]:
        rows = [["layer", "mix dB"], *([name, f"{step:+.1f}"] for name, step in record["moved_db"].items())]
        head, *body = table(rows, right=(1,), indent=2)
        lines += [BLANK, ("quiet", head), *(("text", line) for line in body)]
    return [*lines, BLANK, ("text", "Grades and bleed figures are those of the recording, not of the processed files."),
            ("text", "A rebuild would overwrite the processed files: build to another folder.")]
