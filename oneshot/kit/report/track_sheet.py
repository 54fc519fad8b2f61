"""The track sheet as text, as plain types and as columns of a table: what each mic is and what was measured in it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from oneshot.checking.distances import PathDelay
from oneshot.checking.track_sheet import Track
from oneshot.kit.report.lines import table


def sheet_table(tracks: Sequence[Track], metres_a_second: float) -> list[str]:
    """Aligned lines, the first of them the head: role, pair, polarity where it was measured, levels, and how much
    further than its own mic each drum is, in metres and, in brackets, milliseconds.

    ``~`` is before a distance that was not read off clear fronts.
    """
    drums = heard_drums(tracks)
    noted = any(track.mic.note for track in tracks)
    rows = [["mic", "role", "pair", "polarity", "peak dBFS", "noise dBFS", *(f"{drum}, m (ms)" for drum in drums),
             *(["note"] if noted else [])]]
    for track in tracks:
        mic = track.mic
        rows.append([mic.name, " ".join(part for part in (str(mic.role), mic.drum, mic.place) if part),
                     " ".join(part for part in (mic.pair, mic.side) if part) or "-", _polarity(track),
                     _figure(track.measured.peak_dbfs), _figure(track.measured.noise_dbfs),
                     *(_way(track.delays.get(drum), metres_a_second) for drum in drums),
                     *([mic.note or "-"] if noted else [])])
    return table(rows, indent=2)


def sheet_record(track: Track, metres_a_second: float) -> Mapping[str, Any]:
    """One mic as plain types, for programs."""
    mic = track.mic
    return {"mic": mic.name, "role": str(mic.role), "drum": mic.drum, "place": mic.place, "pair": mic.pair,
            "side": mic.side, "note": mic.note,
            "polarity": None if track.polarity is None else {"against": track.polarity.against,
                                                             "sign": track.polarity.sign},
            "peak_dbfs": _rounded(track.measured.peak_dbfs), "noise_dbfs": _rounded(track.measured.noise_dbfs),
            "delay_ms": {drum: round(delay.ms, 3) for drum, delay in track.delays.items()},
            "path_m": {drum: round(metres(delay, metres_a_second), 3) for drum, delay in track.delays.items()},
            "clear": [drum for drum, delay in track.delays.items() if delay.clear]}


def sheet_columns(drums: Sequence[str]) -> list[str]:
    """What ``sheet_cells`` are called."""
    return ["note", "peak_dbfs", "noise_dbfs", "polarity_against", "polarity_measured",
            *(f"{drum}_{unit}" for drum in drums for unit in ("ms", "m", "clear"))]


def sheet_cells(track: Track, drums: Sequence[str], metres_a_second: float) -> list[str | float | bool | None]:
    """One mic as a row of a table, None where something was not measured; whether a distance was read off clear fronts
    stands behind it.
    """
    delays = [track.delays.get(drum) for drum in drums]
    return [track.mic.note, _rounded(track.measured.peak_dbfs), _rounded(track.measured.noise_dbfs),
            *((None, None) if track.polarity is None else (track.polarity.against, track.polarity.sign)),
            *(figure for delay in delays for figure in
              ((None, None, None) if delay is None else
               (round(delay.ms, 3), round(metres(delay, metres_a_second), 3), delay.clear)))]


def heard_drums(tracks: Sequence[Track]) -> list[str]:
    """The drums whose distance is known in any mic, in the order of the mics."""
    return list(dict.fromkeys(drum for track in tracks for drum in track.delays))


def metres(delay: PathDelay, metres_a_second: float) -> float:
    """How much further the sound goes, m."""
    return delay.ms / 1e3 * metres_a_second


def _polarity(track: Track) -> str:
    if track.polarity is None:
        return "-"
    return f"{'as' if track.polarity.sign > 0 else 'opposite to'} {track.polarity.against}"


def _way(delay: PathDelay | None, metres_a_second: float) -> str:
    if delay is None:
        return "-"
    way = f"{metres(delay, metres_a_second):.2f}" if delay.clear else f"~{metres(delay, metres_a_second):.1f}"
    return f"{way} ({delay.ms:.1f})".replace("-0.00", "0.00").replace("~-0.0", "~0.0").replace("(-0.0)", "(0.0)")


def _figure(value: float | None) -> str:
    return "-" if value is None else f"{value:.1f}".replace("-0.0", "0.0")


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 2)
