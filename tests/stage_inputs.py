"""Small inputs for the tests of the stages: short recordings with everything known, and one small generated session."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray

from oneshot.analysis.detection import spectrogram
from oneshot.analysis.records import STRETCH_STEPS, HitFeatures, TakeScan, Templates
from oneshot.analysis.result import Analysis
from oneshot.audio.io import TakeReader
from oneshot.core.records.hits import Hit
from oneshot.core.records.kit import Kit
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Floats, Mic, Session, Source, Take
from oneshot.synth import KitPlan, RoomPlan, TakePlan, slate
from oneshot.synth.kits import FLOOR, FLOOR_TOM, KICK, KICK_IN, KICK_OUT, OH_L, OH_R, SNARE, SNARE_TOP

RATE = 48000
BANDS = len(spectrogram.BAND_EDGES_HZ) - 1
STRETCHES = len(STRETCH_STEPS)

PIER = KitPlan("pier", RoomPlan(), (KICK, SNARE, FLOOR),
               (KICK_IN, replace(KICK_OUT, polarity=-1), SNARE_TOP, FLOOR_TOM, replace(OH_L, file="OH"),
                replace(OH_R, file="OH")), 44100, "PCM_24")
"""A small kit at a place of its own: three drums, six mics, the overheads in one file, the second kick mic inverted."""

PIER_TAKE = slate("pier", (("kick", "hit", -18.0, 0.0, 8, 0.9), ("snare", "centre", -24.0, 0.0, 8, 0.9),
                           ("floor", "hit", -16.0, 0.0, 6, 1.2)))

EVENING_TAKE = slate("evening", (("snare", "centre", -30.0, -6.0, 8, 0.9), ("kick", "hit", -18.0, 0.0, 4, 0.9)))
"""What is recorded later, at the pier and with the gains of then: the snare's hardest is 6 dB softer."""


@dataclass(frozen=True, slots=True)
class Pier:
    """The pier on disk: its session, what is known of its strokes, the kit built from it, and that kit's folder."""

    session: Path
    known: Mapping[str, Any]
    kit: Kit
    folder: Path

    def true(self, hit: Hit) -> Mapping[str, Any]:
        """The stroke played nearest to a hit."""
        found: Mapping[str, Any] = min(self.known["hits"], key=lambda t: abs(t["first"] - hit.onset))
        return found


def few(plan: TakePlan, count: int) -> TakePlan:
    """The first strokes of a take."""
    return replace(plan, strokes=plan.strokes[:count], tail_s=1.5)


def write_mics(folder: Path, mics: Mapping[str, NDArray[Any]], rate: int = RATE, subtype: str = "FLOAT") -> Path:
    """A WAV file per mic, (frames,) each; returns the folder."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, x in mics.items():  # by libsndfile: our own writer refuses what is no number, and that is to be read here
        soundfile.write(folder / f"{name}.wav", x, rate, subtype)
    return folder


def take_of(folder: Path, mics: Mapping[str, NDArray[Any]], roles: Sequence[Role], rate: int = RATE,
            subtype: str = "FLOAT", ignored: tuple[tuple[int, int], ...] = ()) -> Take:
    """A take of recordings written into ``folder``, one per mic, with those roles."""
    write_mics(folder, mics, rate, subtype)
    made = tuple(Mic(name, role, sources=(Source(f"{name}.wav", 0, 0, len(x)),))
                 for (name, x), role in zip(mics.items(), roles, strict=True))
    return Take(folder.name, rate, max(len(x) for x in mics.values()), subtype, made, ignored)


def scan_take(folder: Path, take: Take) -> TakeScan:
    """The scan of a take in one piece."""
    with TakeReader(folder, take) as reader:
        parts = [spectrogram.scan_blocks(reader, take, task.start, task.stop) for task in spectrogram.tasks(take)]
        return spectrogram.join(take, iter(parts))


def noise(frames: int, dbfs: float, seed: int) -> Floats:
    """White noise of that level, dBFS rms."""
    return np.random.default_rng(seed).standard_normal(frames) * 10 ** (dbfs / 20)


def strike(seed: int, decay_s: float = 0.06, rate: int = RATE, seconds: float = 0.4) -> Floats:
    """A stroke of decaying noise that begins at its largest, with peak 1: every band rises at once."""
    time = np.arange(round(seconds * rate)) / rate
    x = np.random.default_rng(seed).standard_normal(len(time)) * np.exp(-time / decay_s)
    x[0] = 1.05 * np.abs(x).max()
    return np.asarray(x / x[0])


def add(x: Floats, at: int, stroke: Floats, gain_db: float = 0.0) -> None:
    """Play a stroke into a recording, in place."""
    part = stroke[: len(x) - at]
    x[at : at + len(part)] += part * 10 ** (gain_db / 20)


def template(seed: int, mics: int, tops: Sequence[int], decay_db: float = 5.0, own: int | None = None) -> Floats:
    """A stroke's energies (mics, bands, stretches), sum 1: loudest in some bands and 7 dB less with each band away from
    them, at its own place among the mics, fading by ``decay_db`` from stretch to stretch. ``own``: its close mic, in
    which it stands 14 to 22 dB above the others; the last two mics are overheads, 8 to 12 dB down.
    """
    rng = np.random.default_rng(seed)
    away = np.abs(np.subtract.outer(np.arange(BANDS), tops)).min(axis=1)
    spectrum = -7.0 * away + rng.uniform(-3, 3, BANDS)
    place = rng.uniform(-18, 0, (mics, 1))
    if own is not None:
        place = rng.uniform(-22, -14, (mics, 1))
        place[-2:], place[own] = rng.uniform(-12, -8, (2, 1)), 0.0
    place = place + rng.uniform(-3, 3, (mics, BANDS))
    fade = -decay_db * np.arange(STRETCHES) - rng.uniform(0, 1, (1, BANDS, STRETCHES))
    energy = 10 ** ((spectrum[None, :, None] + place[:, :, None] + fade) / 10)
    return np.asarray(energy / energy.sum())


def templates(*strokes: Floats, members: Sequence[int] = (), drum: Sequence[int] = ()) -> Templates:
    """Templates of those strokes, each a drum of its own unless told, with onsets that nobody knows."""
    count = len(strokes)
    unknown = np.full((count, len(strokes[0])), np.nan)
    return Templates(np.stack(strokes), np.zeros((count, *strokes[0].shape)), unknown, unknown.copy(),
                     np.array(drum or range(count), np.int64), np.array(members or [20] * count, np.int64))


def heard(energy: Floats, floor: float = 1e-9, valid: NDArray[np.bool_] | None = None) -> HitFeatures:
    """Hits of those energies (hits, mics, bands, stretches) over a steady noise of ``floor`` in every level."""
    hits, mics, bands, stretches = energy.shape
    quiet = np.full((hits, mics, bands), floor)
    names = tuple(f"mic {m + 1}" for m in range(mics))
    return HitFeatures(names, energy + floor, quiet, np.zeros_like(quiet), quiet.copy(),
                       np.ones((hits, mics, stretches), bool) if valid is None else valid)


def hit(number: int, onset: int = 0, *, level_db: float | None = -20.0, drum: str = "snare", take: str = "one",
        articulation: str = "hit", **more: Any) -> Hit:
    """A hit with what matters to the stages after the analysis."""
    values: dict[str, Any] = {"onsets": {}, "confidence": 1.0, "bleed_db": {}, "isolated": True, "usable": (), **more}
    return Hit(id=number, take=take, onset=onset or number * RATE, drum=drum, articulation=articulation,
               level_db=level_db, **values)


def bare_analysis(hits: Sequence[Hit]) -> Analysis:
    """An analysis that knows these hits and nothing else."""
    onset = {h.id: h.onset for h in hits}
    return Analysis(tuple(hits), (), onset, {}, (), {}, {}, {}, (), attacks=onset, grades={})


def session_at(root: Path, *takes: Take) -> Session:
    """A session of those takes."""
    return Session(root.name, root, takes)
