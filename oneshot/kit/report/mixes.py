"""What the command line and the page say of processed tracks, and of a balance that was learned from a mix."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from oneshot.core.records.kit import Kit
from oneshot.kit.report.lines import BLANK, Line, plain, table
from oneshot.session.processed_tracks import Tracks

Row = dict[str, Any]


def processed_rows(kit: Kit) -> list[Row]:
    """One row for each processed track and take, as plain types: what it is made of, its files, whether it plays, how
    it lies and how many of its files begin held down.
    """
    rates = {take.name: take.sample_rate for take in kit.session.takes}
    of_hit = {hit.id: hit.take for hit in kit.hits}
    files = [(of_hit.get(file.hit), file) for shot in kit.one_shots for file in shot.files if file.processed == "track"]
    out = []
    for take, rows in kit.tracks.items():
        for row in rows:
            mics = _texts(row["mics"])
            mine = [file for where, file in files if where == take and list(file.mics) == mics]
            fader = kit.balance.get(mics[0])
            out.append({"take": take, "name": row["name"], "made_of": _texts(row["made_of"]), "files": len(mine),
                        "plays": fader is not None and fader.on, "latency_frames": row["latency_frames"],
                        "applied_frames": row["applied_frames"], "sample_rate": rates.get(take),
                        "strokes": row.get("strokes", 0),
                        "recovering": sum(file.recovering_db is not None for file in mine)})
    return out


def processed_lines(rows: Sequence[Mapping[str, Any]]) -> list[Line]:
    """The processed tracks that files were cut from, as a table; nothing where there are none."""
    rows = [row for row in rows if row["files"]]
    if not rows:
        return []
    cells: list[Sequence[str]] = [["track", "take", "made of", "files", "plays", "latency", "compensated"]]
    cells += [[row["name"], row["take"], made_of(row["made_of"]), f"{row['files']:,}", "yes" if row["plays"] else "no",
               late(row["latency_frames"], row["sample_rate"]), late(row["applied_frames"], row["sample_rate"])]
              for row in rows]
    head, *body = table(cells, right=(3,), indent=2)
    return [BLANK, ("head", "Processed tracks, cut in sync with the mics"), ("quiet", head), *(("text", line)
                                                                                         for line in body)]


def made_of(mics: Sequence[str]) -> str:
    """The mics of a track in few words."""
    if not mics:
        return "effect return"
    return ", ".join(mics) if len(mics) <= 3 else f"{mics[0]} and {len(mics) - 1} more"


def late(frames: int | None, sample_rate: int | None) -> str:
    """Frames, and milliseconds where the rate is known."""
    if frames is None:
        return "unknown"
    return f"{frames}" if not frames or not sample_rate else f"{frames} ({frames / sample_rate * 1e3:.2f} ms)"


def tracks_record(tracks: Tracks | None) -> Row:
    """The processed tracks that session.toml names, as plain types; empty where it names none."""
    if tracks is None:
        return {}
    return {"processed": [{"take": take, "name": track.name, "made_of": list(track.made_of)}
                          for take, each in tracks.takes.items() for track in each.tracks]}


def tracks_lines(tracks: Tracks | None) -> list[Line]:
    """The same for ``oneshot check``: each track once, with what it is made of."""
    if tracks is None:
        return []
    found = {track.name: made_of(track.made_of) for each in tracks.takes.values() for track in each.tracks}
    head, *body = table([["track", "made of"], *([name, mics] for name, mics in found.items())], indent=2)
    return [BLANK, ("head", "Processed tracks"), ("quiet", head), *(("text", line) for line in body)]


def learned_lines(learned: Mapping[str, Any]) -> list[Line]:
    """How well faders explain the mix that a balance was learned from; nothing where it was computed."""
    return [BLANK, *(("text", plain(line)) for line in learned_words(learned))] if learned else []


def learned_words(learned: Mapping[str, Any]) -> list[str]:
    """The same in sentences."""
    words = [f"Balance estimated from {learned['bus']}: residual {learned['left_db']:.0f} dB."]
    bands = [(hz, level) for hz, level in zip(learned.get("octaves_hz", []), learned.get("left_bands_db", []),
                                              strict=False) if level is not None]
    if bands:
        words.append("Residual by octave: " + ", ".join(f"{_hertz(hz)} {level:.0f}" for hz, level in bands) + " dB.")
    hard = learned.get("hard_db")
    if hard is not None and abs(hard) >= HARD_TOLD_DB:
        words.append(f"In the mix, hard hits are {abs(hard):.1f} dB {'lower' if hard < 0 else 'higher'} relative to "
                     f"soft ones than by gain and pan alone{' (compression or fader rides)' if hard < 0 else ''}.")
    return words


HARD_TOLD_DB = 0.5
"""Half of what round robins may differ by."""


def _hertz(hz: float) -> str:
    return f"{hz / 1000:g}k" if hz >= 1000 else f"{hz:g}"


def _texts(value: object) -> list[str]:
    return [str(each) for each in value] if isinstance(value, Sequence) and not isinstance(value, str) else []
