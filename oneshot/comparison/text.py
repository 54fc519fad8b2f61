"""What the command line says of mics and takes side by side: at most 100 columns, where names are of usual length."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from oneshot.kit.report.lines import BLANK, Line, plain, table, width

NAME_COLUMNS = 18
"""Longer names are shortened in tables; ``--json`` has them whole."""


def compare_lines(record: Mapping[str, Any]) -> list[Line]:
    """A comparison as lines: for each drum a table of its mics and, where it has a close mic, one of what that does
    with each of the others; then the balance and the costs.
    """
    takes = list(dict.fromkeys(view["take"] for view in record["views"]))
    number = {take: str(n) for n, take in enumerate(takes, 1)}
    lines: list[Line] = [("head", plain(f"{record['session']}: mics side by side, the same hits of like strength"))]
    if len(takes) > 1:
        lines += [("text", "  takes: " + ", ".join(plain(f"{number[take]} {take}") for take in takes))]
    lines += [("quiet", f"  {each}") for each in (
        "level: rms of 300 ms, dBFS; later and m: after the drum's home mic, and how much further from",
        f"the drum, air at {record['air_c']:g} °C; direct: re the room, dB; EDT, T20: decay (ISO 3382-1), s;",
        "bright: spectral centroid, Hz; low: power below 120 Hz, %; crest: peak re rms, dB")]
    for drum in dict.fromkeys(view["drum"] for view in record["views"]):
        mine = [view for view in record["views"] if view["drum"] == drum]
        lines += [BLANK, ("head", plain(f"{drum}, {mine[0]['articulation']}")),
                  *_titled(_views(mine, number), right=range(1, 12)), *_dynamics(mine, number)]
        home = record["homes"][drum]
        two = [pair for pair in record["pairs"] if pair["drum"] == drum]
        if any(view["mic"] == home and view["role"] == "close" for view in mine):
            lines += _pairs([pair for pair in two if pair["take"] == two[0]["take"]], home, number)
    if any(not view["clean"] for view in record["views"]):
        lines += [BLANK, ("text", "* bleed within 10 dB of these hits in that mic.")]
    lines += [*_carriers(record["balance"]), *_costs(record["costs"])]
    if record["excerpts"]:
        lines += [BLANK, ("text", plain(f"{len(record['excerpts'])} excerpts, level-matched per drum, and a page that "
                                        f"plays them: {record['page']}")),
                  ("quiet", "  Start listening at a low level: drum hits are sudden and may be loud.")]
    return lines


def _titled(rows: Sequence[Sequence[str]], *, right: Sequence[int]) -> list[Line]:
    """A table whose first row are its titles."""
    head, *body = table(rows, right=right, indent=2)
    return [("quiet", head), *(("text", line) for line in body)]


def _views(mine: Sequence[Mapping[str, Any]], number: Mapping[str, str]) -> list[list[str]]:
    """A drum's rows; without takes where there is only one."""
    rows = [["mic", "take", "hits", "level", "later", "m", "direct", "EDT", "T20", "bright", "low", "crest"]]
    rows += [[_name(view["mic"]), number[view["take"]], f"{view['strokes']}{'' if view['clean'] else ' *'}",
              figure(view["level_dbfs"]), figure(view["delay_ms"], 2), figure(view["path_m"], 2),
              figure(view["direct_to_room_db"]), figure(view["edt_s"], 2), figure(view["t20_s"], 2),
              figure(view["brightness_hz"], 0), figure(view["low_percent"], 0), figure(view["crest_db"])]
             for view in mine]
    return rows if len(number) > 1 else [[row[0], *row[2:]] for row in rows]


def _dynamics(mine: Sequence[Mapping[str, Any]], number: Mapping[str, str]) -> list[Line]:
    """What compressors and gates do to this drum."""
    lines: list[Line] = []
    for view in mine:
        if view["dynamics"] is None:
            continue
        where = view["mic"] if len(number) == 1 else f"{view['mic']}, take {number[view['take']]}"
        parts = [f"{10 * view[f'{part}_slope']:.1f} dB louder in its {part}" for part in ("attack", "body")
                 if view[f"{part}_slope"] is not None]
        does = "too few clean hits to say what it does" if not parts else (
            f"a hit 10 dB harder is {' and '.join(parts)}")
        lines += [("text", plain(f"  {where}: {view['dynamics']}; {does}"))]
    return lines


def _pairs(two: Sequence[Mapping[str, Any]], home: str, number: Mapping[str, str]) -> list[Line]:
    """What the home mic does with each of the others, in one take."""
    rows = [[f"{_name(home)} and", "later", "notch Hz", "sum", "inv.", "low", "inv.", "most low end"]]
    for pair in two:
        if home not in (pair["first"], pair["second"]):
            continue
        turned = home == pair["second"]
        other, sign = pair["first" if turned else "second"], -1 if turned else 1
        late = None if pair["delay_ms"] is None else sign * pair["delay_ms"]
        rows.append([_name(other), figure(late, 2), figure(pair["first_notch_hz"], 0),
                     *(figure(pair[key]) for key in ("sum_db", "inverted_db", "low_db", "low_inverted_db")),
                     f"{figure(pair['best_low_db'])}: {_best(sign * pair['best_shift_ms'], pair['best_polarity'])}"])
    if len(rows) == 1:
        return []
    where = "" if len(number) == 1 else f", take {number[two[0]['take']]}"
    about = f"  at equal level{where}: dB re two mics that share nothing; inv.: one inverted; low: < 120 Hz"
    return [("quiet", about), *_titled(rows, right=range(1, 7))]


def _best(shift_ms: float, polarity: int) -> str:
    """What to do to a mic for most low end."""
    move = "as it is" if shift_ms == 0 else f"{abs(shift_ms):.2f} ms {'later' if shift_ms > 0 else 'earlier'}"
    return f"{move}, inverted" if polarity < 0 else move


def _carriers(balance: Mapping[str, Any]) -> list[Line]:
    """Which mics carry most of the balance."""
    if not balance["carriers"]:
        return []
    rows = [["", "mic", "of the mix", "spectrum off"]]
    rows += [[f"{'+ ' if n else ''}", " ".join(_name(mic) for mic in each["mics"]), f"{each['percent']:.0f} %",
              f"{each['off_db']:.1f} dB"] for n, each in enumerate(balance["carriers"])]
    return [BLANK, ("head", "Few mics: what carries most of the computed balance"),
            ("quiet", plain(f"  every drum of {balance['take']} alike; spectrum: third octaves, mean")),
            *_titled(rows, right=(2, 3))]


def _costs(costs: Sequence[Mapping[str, Any]]) -> list[Line]:
    """What each mic costs."""
    if not costs:
        return []
    rows = [["mic", "files", "MB", "hiss", "of all"]]
    rows += [[_name(each["mic"]), str(each["hits"]), figure(each["megabytes"], 0), figure(each["hiss_dbfs"]),
              figure(each["hiss_db"])] for each in costs]
    return [BLANK, ("head", "Costs: each mic in a kit by the default recipe, estimated"),
            ("quiet", "  hiss: noise floor in the balance, dBFS; of all: re all mics of the balance together, dB"),
            *_titled(rows, right=range(1, 5))]


def figure(value: float | None, digits: int = 1) -> str:
    """A figure of a table; a dash where it is not known."""
    if value is None:
        return "-"
    return f"{value + 0.0:.{digits}f}" if round(value, digits) else f"{0:.{digits}f}"


def _name(name: str) -> str:
    """A mic's name, shortened where it is longer than a table takes."""
    if width(name) <= NAME_COLUMNS:
        return name
    while width(name) >= NAME_COLUMNS:
        name = name[:-1]
    return f"{name}…"
