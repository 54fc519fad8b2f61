"""Remeasured: what a one-shot or a print is said to be, measured again from its files.

Pitch, decay and ring were measured before a file got its fades. A raised cosine is undone by dividing by it, but for
its last hundredth, where the tail lies in the noise anyway: what is left differs by a fraction of a cent, some percent
of a decay and 0.2 dB (measured on computed sessions), and the limits here leave room for lost bits.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np

from oneshot.audio import descriptors
from oneshot.audio.io import read_audio, read_header
from oneshot.core.cache.memory import recalled, sound_of
from oneshot.core.errors import AudioError
from oneshot.core.records.kit import Kit, OneShot, Print, Sample, TakeNoise
from oneshot.core.records.session import Floats
from oneshot.cutting.fades import fade_in_curve, fade_out_curve
from oneshot.cutting.mix import balance, mixdown

PITCH_SHARE = 0.003
"""5 cents."""
DECAY_SHARE = 0.2
RING_DB = 1.0
MIX_DB = 0.05
FULL_DBFS = -0.01
LEAST_FADE = 0.01
LEAST_OFFSET = 1e-4
Finding = tuple[str, str, str, str]
"""Where, what, expected, found."""


def shot_findings(folder: Path, kit: Kit, shot: OneShot, take: str) -> Iterator[Finding]:
    """What is otherwise than the one-shot's row says, a hit of ``take``; nothing where a file cannot be read or has
    other channels, which is told elsewhere.
    """
    try:
        if not all(read_header(folder / each.path).channels == len(each.mics)
                   for each in (*shot.files, *shot.untouched)):
            return
        yield from _home(folder, kit, shot, take)
        rate = kit.session.take(take).sample_rate
        found = mixdown.with_levels(folder, [shot], kit.balance, {shot.hit: rate})[0].mix_db
    except AudioError:
        return
    if shot.mix_db is not None and (found is None or abs(found - shot.mix_db) > MIX_DB):
        yield shot.files[0].path, "mix_db", f"{shot.mix_db:.2f}", "none" if found is None else f"{found:.2f}"


def print_findings(folder: Path, each: Print) -> Iterator[Finding]:
    """What is otherwise than a print's row says."""
    try:
        x, header = read_audio(folder / each.path)
    except AudioError:
        return
    points = balance.first_excursion(x.sum(axis=0), sample_rate=header.sample_rate)
    if points != each.first_excursion:
        yield each.path, "first_excursion", str(each.first_excursion), str(points)


@dataclass(frozen=True, slots=True)
class HomeMeasures:
    """What the home mic of a one-shot tells, from ``file``: pitch (Hz), decay and ring (dB), None where untold."""

    file: Sample
    fundamental_hz: float | None
    decay: descriptors.Decay
    ring_kept_db: float | None


def home_measures(folder: Path, kit: Kit, shot: OneShot, take: str) -> HomeMeasures | None:
    """Pitch, decay and ring of a kit's one-shot, a hit of ``take``, as ``measured_at_home`` has them."""
    home = next((drum.home for drum in kit.drums if drum.name == shot.drum), "")
    noise = next((each for each in kit.noise if each.take == take), TakeNoise(take, {}))
    cutting = kit.recipe.get("cut")
    above = float(cutting.get("above_noise_db", 6.0)) if isinstance(cutting, Mapping) else 6.0
    return measured_at_home(folder, shot, home, noise, above)


def with_home_measures(folder: Path, shots: Sequence[OneShot], homes: Mapping[str, str],
                       noise: Mapping[int, TakeNoise], above_db: float) -> tuple[OneShot, ...]:
    """One-shots with pitch, decay and ring as their finished files have them, so that whoever measures again finds what
    was written down; those of which no file has the home mic stay as they are.

    ``homes``: drum -> home mic; ``noise``: hit id -> what is steady in its take; ``above_db``: how far above the noise
    tails end. Raises AudioError where a file cannot be read.
    """
    out = []
    for shot in shots:
        home = homes[shot.drum]
        steady = noise[shot.hit]
        key = (tuple(replace(file, path="", sha256=sound_of(file.sha256)) for file in (*shot.files, *shot.untouched)),
               home, steady, above_db)
        found = recalled("home", repr(key), partial(measured_at_home, folder, shot, home, steady, above_db))
        out.append(shot if found is None else replace(
            shot, fundamental_hz=found.fundamental_hz, decay_s=found.decay.best_s, edt_s=found.decay.edt_s,
            t20_s=found.decay.t20_s, ring_kept_db=found.ring_kept_db))
    return tuple(out)


def measured_at_home(folder: Path, shot: OneShot, home: str, noise: TakeNoise,
                     above_db: float) -> HomeMeasures | None:
    """Pitch, decay and ring in the home mic, from the file that has it as it was cut, or processed since; None where no
    file does. Levels count to 0.01 dB and offsets to 1e-7, as a manifest holds them. Raises AudioError where the file
    cannot be read.
    """
    file = next((each for each in (*shot.files, *shot.untouched)
                 if home in each.mics and not each.repaired and each.hit == shot.hit), None)
    if file is None or (file.gain_db > 0 and (file.peak_dbfs or 0.0) > FULL_DBFS):  # stopped at full scale: told of
        return None
    audio, header = read_audio(folder / file.path)
    if audio.shape[1] != file.frames:
        return None
    x, rate, at = unfaded(audio[file.mics.index(home)], file), header.sample_rate, file.onset_frame
    known = None if file.processed == "outside" else noise.offset.get(home)
    steady = offset_of(x, file) if known is None else \
        round(known, 7) * 10 ** (round(file.gain_db, 2) / 20) * (-1 if file.inverted else 1)
    x = x - steady
    louder = file.outside.get("level_db")
    louder_db = louder if isinstance(louder, int | float) else 0.0
    level = noise.noise_dbfs.get(home)
    floor = 0.0 if level is None else 10 ** ((round(level, 2) + round(file.gain_db, 2) + louder_db) / 20)
    end = descriptors.tail_end(x, sample_rate=rate, noise_rms=floor, above_db=above_db, attack=at)
    decay = descriptors.decay(x, sample_rate=rate, noise_rms=floor, attack=at)
    pitch = descriptors.fundamental_hz(x, sample_rate=rate, attack=at, stop=end)
    # a tail that ends near the noise cannot be told beside an offset that is only known from the file
    untold = steady != 0 and known is None
    ring = None if untold else descriptors.ring_kept_db(x, sample_rate=rate, fade_out=file.fade_out_frames)
    return HomeMeasures(file, pitch, decay, ring)


def _home(folder: Path, kit: Kit, shot: OneShot, take: str) -> Iterator[Finding]:
    """What pitch, decay and ring are otherwise than the row says."""
    found = home_measures(folder, kit, shot, take)
    if found is None:
        return
    path, ring = found.file.path, found.ring_kept_db
    for what, want, got, limit in (
            ("fundamental_hz", shot.fundamental_hz, found.fundamental_hz, PITCH_SHARE),
            ("edt_s", shot.edt_s, found.decay.edt_s, DECAY_SHARE),
            ("t20_s", shot.t20_s, found.decay.t20_s, DECAY_SHARE)):
        if want and got and abs(got / want - 1) > limit:  # where noise decides whether it can be told, it may not be
            yield path, what, f"{want:.3f}", f"{got:.3f}"
    if shot.ring_kept_db is not None and ring is not None and abs(ring - shot.ring_kept_db) > RING_DB:
        yield path, "ring_kept_db", f"{shot.ring_kept_db:.1f}", f"{ring:.1f}"


def unfaded(x: Floats, file: Sample) -> Floats:
    """A file's channel, float64 (frames,), as it was before its fades."""
    out = x.copy()
    if file.fade_in_frames:
        out[:file.fade_in_frames] /= np.maximum(fade_in_curve(file.fade_in_frames), LEAST_FADE)
    if file.fade_out_frames:
        out[-file.fade_out_frames:] /= np.maximum(fade_out_curve(file.fade_out_frames), LEAST_FADE)
    return out


def offset_of(x: Floats, file: Sample) -> float:
    """The steady offset of a channel, full scale 1.0, by the end of its tail; 0 where there is none to speak of."""
    tail = x[len(x) * 3 // 4:len(x) - file.fade_out_frames // 2]
    steady = float(tail.mean()) if len(tail) else 0.0
    return steady if abs(steady) > LEAST_OFFSET else 0.0
