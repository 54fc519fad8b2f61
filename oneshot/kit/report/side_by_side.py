"""What the command line says of many sessions, and of mics and takes side by side."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from oneshot.kit.report.lines import BLANK, Line, plain, table
from oneshot.kit.report.text import size


def batch_lines(record: Mapping[str, Any]) -> list[Line]:
    """A batch as lines: a table of the kits, then what failed and why."""
    rows = [["session", "hits", "kept", "drums", "files", "size", "warnings", ""]]
    for row in record["sessions"]:
        if row["error"] is None:
            rows.append([row["session"], str(row["hits"]), str(row["kept"]), str(row["drums"]), str(row["files"]),
                         size(row["size_bytes"]), str(row["warnings"]), "unchanged" if row["unchanged"] else "built"])
        else:
            rows.append([row["session"], "-", "-", "-", "-", "-", "-", "failed"])
    head, *body = table(rows, right=(1, 2, 3, 4, 5, 6))
    failed = [row for row in record["sessions"] if row["error"] is not None]
    same = sum(row["unchanged"] for row in record["sessions"])
    done = len(record["sessions"]) - len(failed) - same
    before = f", {same} finished before" if same else ""
    lines: list[Line] = [("head", head), *(("text", line) for line in body), BLANK,
                         ("text", plain(f"{done} of {len(rows) - 1} built in {record['out']}{before}; see each kit's "
                                        "report for its warnings."))]
    if failed:
        lines += [BLANK, ("warn", f"Failed: {len(failed)}"),
                  *(("text", plain(f"  {row['session']}: {row['error']}")) for row in failed)]
    return lines


def compare_lines(record: Mapping[str, Any], names: Sequence[str]) -> list[Line]:
    """A comparison as lines: a table for each drum, a row for each mic and take. ``names``: of the octave bands."""
    about = ("  bands: each octave relative to the mic's overall level, dB (levels are matched); tilt: dB per octave")
    lines: list[Line] = [("head", plain(f"{record['session']}: hits of like strength, the first 300 ms")),
                         ("quiet", about)]
    for drum in dict.fromkeys(view["drum"] for view in record["views"]):
        mine = [view for view in record["views"] if view["drum"] == drum]
        rows = [["mic", "take", "hits", "level", "peak", "noise", "tilt", *names]]
        rows += [[view["mic"], view["take"], f"{view['strokes']}{'' if view['clean'] else ' *'}",
                  *(_figure(view[name]) for name in ("level_dbfs", "peak_dbfs", "noise_dbfs", "tilt_db")),
                  *(_figure(band) for band in view["bands_db"])] for view in mine]
        head, *body = table(rows, right=range(2, len(rows[0])), indent=2)
        lines += [BLANK, ("head", plain(f"{drum}, {mine[0]['articulation']}")), ("quiet", head),
                  *(("text", line) for line in body)]
    if any(not view["clean"] for view in record["views"]):
        lines += [BLANK, ("text", "* bleed within 10 dB of these hits in that mic.")]
    if record["excerpts"]:
        count = len(record["excerpts"])
        lines += [BLANK, ("text", plain(f"{count} excerpts, level-matched per drum: {record['out']}")),
                  ("quiet", "  Start listening at a low level: drum hits are sudden and may be loud.")]
    return lines


def _figure(value: float | None) -> str:
    return "-" if value is None else f"{value:.1f}"
