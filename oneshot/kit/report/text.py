"""What the command line says, as lines of text: a session read, a kit built, the problems of either.

Each subject has a record (plain types, for ``--json``) and lines that say the same. A line is a pair (kind, text):
"head", "text", "quiet" or "warn"; the kind is a hint for colour and carries no meaning of its own.
Names come from files and may hold anything: what a terminal could take for a command is shown as a mark.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from itertools import pairwise
from pathlib import Path
from statistics import median
from typing import Any, TypeAlias

from oneshot.core.grades import GRADES
from oneshot.core.records.hits import Drum
from oneshot.core.records.kit import Kit, OneShot
from oneshot.core.records.session import Mic, Problem, Session, Take
from oneshot.core.text import counted, counted_either
from oneshot.cutting.mix.balance import RANKED_BY
from oneshot.kit.report.advice import next_to_record
from oneshot.kit.report.left_out import FATES, REASONS, fates, left_out, unused
from oneshot.kit.report.lines import BLANK, Line, plain, table
from oneshot.kit.report.mixes import learned_lines, processed_lines, processed_rows

Record: TypeAlias = dict[str, Any]

AUDIBLE_DB = 1.0
"""A layer softer than the one below it by so much is reported (common practice, no source)."""
ALIKE = 8
"""Differences of one kind that are shown one by one; --json has them all."""


def duration(seconds: float) -> str:
    """``0:07``, ``4:12`` or ``1:02:03``."""
    minutes, rest = divmod(int(seconds + 0.5), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{rest:02d}" if hours else f"{minutes}:{rest:02d}"


def size(size_bytes: int) -> str:
    """Bytes as megabytes (10^6), or kilobytes below one."""
    return f"{size_bytes / 1e6:,.1f} MB" if size_bytes >= 1e6 else f"{size_bytes / 1e3:,.1f} kB"


def sample_format(subtype: str) -> str:
    """A sample format as people say it: ``PCM_24`` is 24 bit."""
    names = {"FLOAT": "32 bit float", "DOUBLE": "64 bit float", "PCM_S8": "8 bit", "PCM_U8": "8 bit"}
    return names.get(subtype, f"{subtype.removeprefix('PCM_')} bit" if subtype.startswith("PCM_") else subtype)


def rate(sample_rate: int) -> str:
    """``48 kHz``, ``44.1 kHz``."""
    return f"{sample_rate / 1000:g} kHz"


# -------------------------------------------------------------------------------------------------------------- session


def session_record(session: Session) -> Record:
    """A session as plain types: takes, mics, problems and what to record next."""
    return {
        "session": session.name,
        "takes": [{
            "name": take.name, "sample_rate": take.sample_rate, "frames": take.frames, "subtype": take.subtype,
            "seconds": round(take.frames / take.sample_rate, 3),
            "ignored": [list(stretch) for stretch in take.ignored],
            "mics": [{
                "name": mic.name, "role": str(mic.role), "drum": mic.drum, "place": mic.place, "pair": mic.pair,
                "side": mic.side, "polarity": mic.polarity, "note": mic.note,
                "files": [source.path for source in mic.sources],
            } for mic in take.mics],
        } for take in session.takes],
        "problems": [problem_record(problem) for problem in session.problems],
        "record_next": next_to_record(session),
    }


def session_lines(session: Session, *, advice: bool = True) -> list[Line]:
    """What ``oneshot check`` shows: a table of mics for each take, then what to record next, unless no ``advice``
    is asked for.
    """
    takes = len(session.takes)
    lines: list[Line] = [("head", plain(f"{session.name}: {counted(takes, 'take')}"))]
    for take in session.takes:
        lines += [BLANK, *_take_lines(take)]
    wanted = next_to_record(session) if advice else []
    if wanted:
        lines += [BLANK, ("head", "Record next")]
        lines += [("text", f"  {plain(line)}") for line in wanted]
    return lines


def _take_lines(take: Take) -> list[Line]:
    seconds = take.frames / take.sample_rate
    facts = [duration(seconds), counted(len(take.mics), "mic"), rate(take.sample_rate), sample_format(take.subtype)]
    title = f"{take.name}   {', '.join(facts)}"
    rows = [["mic", "role", "drum", "place", "pair", "polarity", "file"]]
    rows += [[mic.name, str(mic.role), mic.drum or "-", mic.place or "-", _pair(mic),
              "inverted" if mic.polarity < 0 else "-", _files(mic)] for mic in take.mics]
    head, *body = table(rows, indent=2)
    lines: list[Line] = [("head", plain(title)), ("quiet", head), *(("text", line) for line in body)]
    ignored = sum(stop - start for start, stop in take.ignored) / take.sample_rate
    if ignored:
        lines.append(("text", f"  left out by session.toml: {duration(ignored)}"))
    return lines


def _pair(mic: Mic) -> str:
    return f"{mic.pair}, {mic.side}" if mic.pair and mic.side else mic.pair or "-"


def _files(mic: Mic) -> str:
    if not mic.sources:
        return "-"
    first = mic.sources[0]
    channel = f" channel {first.channel + 1}" if mic.side and first.channel else ""
    more = f" and {len(mic.sources) - 1} more" if len(mic.sources) > 1 else ""
    return f"{first.path}{channel}{more}"


# ------------------------------------------------------------------------------------------------------------------ kit


def summary_record(kit: Kit, *, folder: Path, files: int, size_bytes: int) -> Record:
    """What a build came to, as plain types.

    Parameters
    ----------
    kit
        The finished kit.
    folder
        Where it lies.
    files, size_bytes
        How many files the folder holds, and their size together.
    """
    return {
        "kit": str(folder),
        "session": kit.session.name,
        "takes": [{"name": take.name, "seconds": round(take.frames / take.sample_rate, 3), "mics": len(take.recorded),
                   "sample_rate": take.sample_rate, "subtype": take.subtype} for take in kit.session.takes],
        "drums": [_part(kit, drum, how.name, how.key) for drum in kit.drums for how in drum.articulations],
        "hits": len(kit.hits),
        "kept": sum(hit.kept for hit in kit.hits),
        "fates": fates(kit.hits),
        "left_out": left_out(unused(kit)),
        "prints_alone": kit.prints_alone,
        "far": _far(kit),
        "prints": [{"print": item.print, "layer": item.layer, "rank": item.rank, "hit": item.hit, "path": item.path,
                    "why": item.why, "true_peak_dbtp": item.true_peak_dbtp} for item in kit.prints],
        "repaired": repaired(kit),
        "composites": sum(any(file.hit != shot.hit for file in shot.files) for shot in kit.one_shots),
        **({"processed": processed_rows(kit)} if kit.tracks else {}),
        **({"learned": kit.learned} if kit.learned else {}),
        "files": files,
        "size_bytes": size_bytes,
        "problems": [problem_record(problem) for problem in kit.problems],
    }


def _part(kit: Kit, drum: Drum, how: str, key: int) -> Record:
    """One row of the summary: a drum struck in one way."""
    hits = [hit for hit in kit.hits if (hit.drum, hit.articulation) == (drum.name, how)]
    shots = [shot for shot in kit.one_shots if (shot.drum, shot.articulation) == (drum.name, how)]
    levels = [hit.level_db for hit in hits if hit.kept and hit.level_db is not None]
    robins = Counter(shot.layer for shot in shots)
    prints = [each for each in kit.prints if (each.drum, each.articulation) == (drum.name, how)]
    grades = Counter(shot.grade for shot in shots)
    return {
        "drum": drum.name, "articulation": how, "key": key, "home": drum.home, "found": len(hits), "kept": len(shots),
        "layers": len(robins), "round_robins": [min(robins.values(), default=0), max(robins.values(), default=0)],
        "grades": {grade: grades[grade] for grade in GRADES},
        "fates": fates(hits),
        "prints": len(prints), "printed": len({each.hit for each in prints}),
        "print_layers": len({each.layer for each in prints}),
        "fallback": sum(hit.fallback for hit in hits if hit.kept),
        "span_db": round(max(levels) - min(levels), 1) if levels else None,
        "short": sum(is_short(shot) for shot in shots),
        "steps_db": layer_steps_db(shots),
    }


def _far(kit: Kit) -> list[Record]:
    """Of each drum that has files of overheads and rooms: how many one-shots it has, with how many of them those play,
    and which of them never do.
    """
    rows: list[Record] = []
    for drum in kit.drums:
        shots = [shot for shot in kit.one_shots if shot.drum == drum.name and any(file.far for file in shot.files)]
        if shots:
            far = dict.fromkeys(mic for shot in shots for file in shot.files if file.far for mic in file.mics)
            on = {mic for shot in shots for file in shot.files if file.far and file.plays for mic in file.mics}
            rows.append({"drum": drum.name, "one_shots": len(shots),
                         "with_far": sum(any(file.far and file.plays for file in shot.files) for shot in shots),
                         "muted": [mic for mic in far if mic not in on]})
    return rows


def far_lines(rows: Sequence[Mapping[str, Any]]) -> list[str]:
    """In a sentence or two, with which drums overheads and rooms play; nothing where they play with all one-shots."""
    if all(row["with_far"] == row["one_shots"] and not row["muted"] for row in rows):
        return []
    on = [row["drum"] if row["with_far"] == row["one_shots"] else
          f"{row['drum']} ({row['with_far']} of {row['one_shots']} one-shots)" for row in rows if row["with_far"]]
    off = [row["drum"] for row in rows if not row["with_far"]]
    some = [f"{' and '.join(row['muted'])} of {row['drum']}" for row in rows if row["with_far"] and row["muted"]]
    parts = [f"play with {', '.join(on)}" if on else "", f"not with {', '.join(off)}" if off else "",
             f"without {', '.join(some)}" if some else ""]
    return [f"Overheads and rooms {'; '.join(part for part in parts if part)}: too much bleed in the others.",
            "mappings/close.sfz plays every one-shot without them."]


def layer_steps_db(shots: Sequence[OneShot]) -> list[float]:
    """By how much each layer's mix lies above that of the layer below it (dB), medians over the round robins, over the
    layers whose mix was measured.
    """
    layers: dict[int, list[float]] = {}
    for shot in shots:
        if shot.mix_db is not None:
            layers.setdefault(shot.layer, []).append(shot.mix_db)
    levels = [median(layers[number]) for number in sorted(layers)]
    return [round(harder - softer, 1) + 0.0 for softer, harder in pairwise(levels)]


def repaired(kit: Kit) -> dict[str, int]:
    """Kind of repair -> how many of the files that play it was done to, by name."""
    counts = Counter(kind for shot in kit.one_shots for file in shot.files for kind in file.repaired)
    return dict(sorted(counts.items()))


def _repair_lines(summary: Mapping[str, Any]) -> list[Line]:
    """What was repaired and put together, where something was."""
    done = [f"{kind} {count:,}" for kind, count in summary["repaired"].items()]
    lines = [f"Files repaired: {', '.join(done)}; the unprocessed files are kept next to them."] if done else []
    if summary["composites"]:
        lines.append(f"One-shots with overheads and rooms of a cleaner hit: {summary['composites']:,}.")
    return [BLANK, *(("text", line) for line in lines)] if lines else []


def is_short(shot: OneShot) -> bool:
    """Whether a one-shot keeps less than 40 dB of its ring (docs/words.md: ring kept)."""
    return shot.ring_kept_db is not None and shot.ring_kept_db < 40


def summary_lines(summary: Mapping[str, Any]) -> list[Line]:
    """What ``oneshot build`` shows of ``summary_record``."""
    takes = summary["takes"]
    seconds = sum(take["seconds"] for take in takes)
    formats = sorted({f"{rate(take['sample_rate'])} {sample_format(take['subtype'])}" for take in takes})
    lines: list[Line] = [("head", plain(
        f"{summary['session']}: {counted(len(takes), 'take')}, {duration(seconds)}, "
        f"{counted_either({take['mics'] for take in takes}, 'mic')}, {', '.join(formats)}")), BLANK]
    lines += _print_drum_lines(summary["drums"]) if summary["prints_alone"] else _drum_lines(summary["drums"])
    lines += [("text", line) for line in far_lines(summary["far"])]
    lines += _left_out_lines(summary)
    lines += _repair_lines(summary)
    lines += processed_lines(summary.get("processed", []))
    lines += learned_lines(summary.get("learned", {}))
    if summary["prints"]:
        rows = [["print", "layer", "rank", "file", "ranked by"]]
        rows += [[item["print"], str(item["layer"]), str(item["rank"]), item["path"], item["why"]]
                 for item in summary["prints"]]
        head, *body = table(rows, right=(1, 2), indent=2)
        lines += [BLANK, ("head", "Prints, best first"), ("quiet", head), *(("text", line) for line in body),
                  ("text", RANKED_BY)]
    folder = Path(summary["kit"])
    lines += [BLANK, ("head", plain(f"{folder}: {counted(summary['files'], 'file')}, {size(summary['size_bytes'])}"))]
    places = [["report", str(folder / "report.html")]]
    if summary["kept"]:
        places.append(["mapping", str(folder / "mappings" / "kit.sfz")])
        if summary["far"]:
            places.append(["close mics", str(folder / "mappings" / "close.sfz")])
    places.append(["manifest", str(folder / "manifest.json")])
    return lines + [("text", line) for line in table(places, indent=2)]


def _drum_lines(parts: Sequence[Mapping[str, Any]]) -> list[Line]:
    """The table of drums; a drum's name and home mic stand in its first row only."""
    if not parts:
        return [("warn", "No drum was found.")]
    rows = [["drum", "articulation", "key", "found", *FATES, "layers", "round robins", *GRADES, "span dB", "home mic"]]
    last = None
    for part in parts:
        low, high = part["round_robins"]
        first = part["drum"] != last
        last = part["drum"]
        rows.append([part["drum"] if first else "", part["articulation"], str(part["key"]), f"{part['found']:,}",
                     *(f"{part['fates'][name]:,}" if part["fates"][name] else "-" for name in FATES),
                     str(part["layers"]), str(high) if low == high else f"{low}-{high}",
                     *(str(part["grades"][grade] or "-") for grade in GRADES),
                     "-" if part["span_db"] is None else f"{part['span_db']:.1f}", part["home"] if first else ""])
    head, *body = table(rows, right=tuple(range(2, 15)))
    lines: list[Line] = [("quiet", head), *(("text", line) for line in body)]
    fallback, short = sum(part["fallback"] for part in parts), sum(part["short"] for part in parts)
    if fallback:
        are = "is" if fallback == 1 else "are"
        lines.append(("text", (f"{fallback:,} of the kept hits {are} below the required grade: no better ones "
                               "available.")))
    for part in parts:
        lines += [("warn", plain(f"{part['drum']}, {part['articulation']}: a layer's mix is {-step:.1f} dB softer than "
                                 "the layer below; mappings raise it to that level."))
                  for step in part["steps_db"] if step <= -AUDIBLE_DB]
    if short:
        have = "has" if short == 1 else "have"
        lines.append(("text", (f"{short:,} of the kept hits {have} less than 40 dB of decay: the next hit cuts the "
                               "tail.")))
    return lines


def _print_drum_lines(parts: Sequence[Mapping[str, Any]]) -> list[Line]:
    """The table of drums where there are prints alone."""
    rows = [["drum", "articulation", "found", "printed", "prints", "layers", "home mic"]]
    rows += [[part["drum"], part["articulation"], f"{part['found']:,}", f"{part['printed']:,}", f"{part['prints']:,}",
              str(part["print_layers"]), part["home"]] for part in parts]
    head, *body = table(rows, right=(2, 3, 4, 5))
    return [("quiet", head), *(("text", line) for line in body)]


def _left_out_lines(summary: Mapping[str, Any]) -> list[Line]:
    reasons = summary["left_out"]
    if not reasons:
        return []
    rows = [[f"{count:,}", REASONS.get(reason, reason)] for reason, count in reasons.items()]
    total = sum(reasons.values())
    what = "Not printed" if summary["prints_alone"] else "Left out"
    lines: list[Line] = [BLANK, ("head", f"{what}: {total:,} of {counted(summary['hits'], 'hit')}")]
    return lines + [("text", line) for line in table(rows, right=(0,), indent=2)]


# ------------------------------------------------------------------------------------------------------------- problems


def problem_record(problem: Problem) -> Record:
    """A problem as plain types."""
    return {"where": problem.where, "what": problem.what, "todo": problem.todo}


def grouped(problems: Iterable[Problem]) -> list[tuple[list[str], str, str]]:
    """(places, what, to do): problems that differ only in their place are told once, in the order they came."""
    places: dict[tuple[str, str], list[str]] = {}
    for problem in problems:
        found = places.setdefault((problem.what, problem.todo), [])
        if problem.where not in found:
            found.append(problem.where)
    return [(where, what, todo) for (what, todo), where in places.items()]


def problem_lines(problems: Iterable[Problem]) -> list[Line]:
    """Problems as lines: where and what, then what to do about it, set in."""
    told = grouped(problems)
    if not told:
        return []
    lines: list[Line] = [BLANK, ("head", f"Warnings: {len(told)}")]
    for where, what, todo in told:
        shown = ", ".join(where[:4]) + (f" and {len(where) - 4} more" if len(where) > 4 else "")
        lines.append(("warn", plain(f"  {shown}: {what}" if shown else f"  {what}")))
        if todo:
            lines.append(("quiet", plain(f"      {todo}")))
    return lines


def difference_lines(folder: Path, differences: Sequence[tuple[str, str, str, str]]) -> list[Line]:
    """What ``oneshot verify`` shows: (path, what, expected, found) of each difference, or that there is none."""
    if not differences:
        return [("text", plain(f"{folder}: every file matches the manifest."))]
    lines: list[Line] = [("head", plain(f"{folder}: {counted(len(differences), 'difference')}"))]
    alike: dict[str, list[tuple[str, str, str, str]]] = {}
    for each in differences:
        alike.setdefault(each[1], []).append(each)
    rows: list[Sequence[str]] = []
    for what, each_of in alike.items():
        rows += each_of[:ALIKE]
        if len(each_of) > ALIKE:
            rows.append([f"… {counted(len(each_of) - ALIKE, 'more file')}", what, "", ""])
    head, *body = table([["where", "what", "expected", "found"], *rows], indent=2)
    return [*lines, ("quiet", head), *(("warn", line) for line in body)]
