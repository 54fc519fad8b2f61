"""What the page's script needs: for every one-shot its files, their figures and the outlines of their waveforms.

An outline is the least and the greatest sample of each of ``POINTS`` equal stretches, per channel, in two views: the
whole file, and its first ``START_S``. Square roots of the values relative to the file's peak, rounded to -127..127,
keep tails visible in 8 bit; the script draws them as they are and the page says so.
"""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from oneshot.audio.io import read_audio
from oneshot.core.cache.results import Kind, recalled, sound_of
from oneshot.core.records.hits import Hit
from oneshot.core.records.kit import Kit, OneShot, Print, Sample
from oneshot.core.records.session import Floats, Take

POINTS = 120
START_S = 0.05
OUTLINES: Kind[Mapping[str, object]] = Kind("outlines", dict[str, Any])
"""By the sum of a file with these samples."""


def outline(data: Floats, points: int = POINTS) -> str:
    """Outline of a waveform as base64 text.

    Parameters
    ----------
    data
        float64 (channels, frames), full scale 1.0; any level: outlines are relative to the peak over all channels.
    points
        Stretches per channel; a file with fewer frames repeats them.

    Returns
    -------
    str
        base64 of int8 (channels, points, 2): least and greatest of each stretch, sign(x)·√|x / peak|·127. Silence is
        all zeros; what is not finite counts as silence.
    """
    data = np.nan_to_num(data, nan=0.0, posinf=0.0, neginf=0.0)
    channels, frames = data.shape
    if frames == 0:
        return base64.b64encode(bytes(channels * points * 2)).decode("ascii")
    edges = np.minimum(np.arange(points) * frames // points, frames - 1)
    ends = np.stack([np.minimum.reduceat(data, edges, axis=1), np.maximum.reduceat(data, edges, axis=1)], axis=2)
    peak = float(np.abs(ends).max())
    if peak > 0:
        ends = ends / peak
    packed = np.rint(np.sign(ends) * np.sqrt(np.abs(ends)) * 127).astype(np.int8)
    return base64.b64encode(packed.tobytes()).decode("ascii")


def outlines(data: Floats, sample_rate: int) -> dict[str, Any]:
    """Both views of a sound, float64 (channels, frames): ``whole``, ``start``, ``channels``, ``seconds``."""
    first = max(1, round(START_S * sample_rate))
    start = data[:, :first]
    if start.shape[1] < first:
        start = np.pad(start, ((0, 0), (0, first - start.shape[1])))
    return {"whole": outline(data), "start": outline(start), "channels": len(data),
            "seconds": round(data.shape[1] / sample_rate, 4)}


def outlines_of(path: Path) -> dict[str, Any]:
    """Both views of a kit's sound file.

    Raises
    ------
    AudioError
        The file is missing or is no sound file.
    """
    data, header = read_audio(path)
    return outlines(data, header.sample_rate)


def page_data(kit: Kit, folder: Path, drawn: Mapping[str, Mapping[str, object]]) -> dict[str, Any]:
    """Everything the script reads, as plain types: the balance, the one-shots and the prints. ``drawn``: path -> the
    outlines of a sound file, where they are known; of others they are taken from the file.
    """
    takes = {take.name: take for take in kit.session.takes}
    hits = {hit.id: hit for hit in kit.hits}
    homes = {drum.name: drum.home for drum in kit.drums}
    return {
        "startSeconds": START_S,
        "points": POINTS,
        "balance": {name: {"gain": fader.gain_db, "pan": fader.pan, "polarity": fader.polarity, "on": fader.on}
                    for name, fader in kit.balance.items()},
        "shots": [_shot(shot, hits[shot.hit], takes[hits[shot.hit].take], folder, drawn) | {"home": _home(shot, homes)}
                  for shot in kit.one_shots],
        "prints": [_print(item, folder, drawn) for item in kit.prints],
    }


def _shot(shot: OneShot, hit: Hit, take: Take, folder: Path, drawn: Mapping[str, Mapping[str, object]]
          ) -> dict[str, Any]:
    return {
        "title": shot_title(shot),
        "hit": shot.hit,
        "from": f"{take.name}, {clock(hit.onset, take.sample_rate)}",
        "with": [{"drum": partner.drum, "level": _rounded(partner.level_db)} for partner in hit.partners],
        "level": _rounded(hit.level_db),
        "fallback": hit.fallback,
        "grade": shot.grade,
        "pitch": _rounded(shot.fundamental_hz),
        "decay": _rounded(shot.decay_s, 2),
        "ring": _rounded(shot.ring_kept_db),
        "files": [_file(file, take, folder, drawn) for file in shot.files],
    }


def _home(shot: OneShot, homes: Mapping[str, str]) -> int:
    """Which of a one-shot's files is its home mic's; the first where that mic is not exported."""
    return next((i for i, file in enumerate(shot.files) if homes.get(shot.drum) in file.mics), 0)


def _file(file: Sample, take: Take, folder: Path, drawn: Mapping[str, Mapping[str, object]]) -> dict[str, Any]:
    known = drawn.get(file.path)
    lines = recalled(OUTLINES, sound_of(file.sha256), lambda: outlines_of(folder / file.path)) \
        if known is None else known
    return {
        "mics": list(file.mics),
        "path": file.path,
        "grade": "–" if file.processed else file.grade,  # nothing judged it
        "plays": file.plays,
        "bleed": _rounded(file.bleed_db),
        "peak": _rounded(file.peak_dbfs),
        "truePeak": _rounded(file.true_peak_dbtp),
        "lufs": _rounded(file.momentary_lufs),
        "lead": round(file.onset_frame / (file.sample_rate or take.sample_rate), 6),
        "inverted": file.inverted,
        "other": file.hit,
        **lines,
    }


def _print(item: Print, folder: Path, drawn: Mapping[str, Mapping[str, object]]) -> dict[str, Any]:
    known = drawn.get(item.path)
    return {"title": f"{item.print}, candidate {item.rank}", "path": item.path,
            **(outlines_of(folder / item.path) if known is None else known)}


def shot_title(shot: OneShot) -> str:
    """``snare, centre: layer 3, robin 2``."""
    return f"{shot.drum}, {shot.articulation}: layer {shot.layer}, round robin {shot.round_robin}"


def clock(frame: int, sample_rate: int) -> str:
    """A frame as minutes, seconds and thousandths: ``1:02.345``."""
    minutes, seconds = divmod(round(frame / sample_rate * 1000) / 1000, 60)
    return f"{int(minutes)}:{seconds:06.3f}"


def level_range(levels: Sequence[float | None]) -> tuple[float, float] | None:
    """Least and greatest of the levels that are known, dB; None where none is."""
    known = [level for level in levels if level is not None]
    return (min(known), max(known)) if known else None


def _rounded(value: float | None, digits: int = 1) -> float | None:
    return None if value is None else round(value, digits)
