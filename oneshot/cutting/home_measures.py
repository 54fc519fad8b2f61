"""Home measures: what the home mic of a one-shot tells: pitch, decay, and how much of the decay its file keeps.

They are told from the finished file, so that whoever measures again finds what was written down. It has its fades by
then. A raised cosine is undone by dividing by it, but for its last hundredth, where the tail lies in the noise anyway:
what is left differs by a fraction of a cent, some percent of a decay and 0.2 dB from what was there before (measured on
computed sessions).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

import numpy as np

from oneshot.audio import descriptors
from oneshot.core.records.kit import OneShot, Sample, TakeNoise
from oneshot.core.records.session import Floats
from oneshot.cutting.fades import Samples, as_float, fade_in_curve, fade_out_curve

FULL_DBFS = -0.01
LEAST_FADE = 0.01
LEAST_OFFSET = 1e-4


@dataclass(frozen=True, slots=True)
class HomeMeasures:
    """What the home mic of a one-shot tells: pitch (Hz), decay and ring (dB), None where untold."""

    fundamental_hz: float | None
    decay: descriptors.Decay
    ring_kept_db: float | None

    def into(self, shot: OneShot) -> OneShot:
        """A one-shot with these measures."""
        return replace(shot, fundamental_hz=self.fundamental_hz, decay_s=self.decay.best_s, edt_s=self.decay.edt_s,
                       t20_s=self.decay.t20_s, ring_kept_db=self.ring_kept_db)


@dataclass(frozen=True, slots=True, eq=False)
class HomeWindow:
    """The window of a one-shot in its home mic as recorded: its samples (frames,), sample rate (Hz), steady offset and
    noise floor (full scale 1.0), and in frames the attack, where the tail ends and the fade that will follow.
    """

    audio: Samples
    sample_rate: int
    offset: float
    noise_rms: float
    attack: int
    tail_end: int
    fade_out: int

    def measures(self) -> HomeMeasures:
        """What it tells, for one-shots of which no finished file has the home mic as it was cut."""
        x = as_float(self.audio) - self.offset  # a DC offset is no part of a decay
        return HomeMeasures(
            pitch(x, self.sample_rate, self.attack, self.tail_end),
            descriptors.decay(x, sample_rate=self.sample_rate, noise_rms=self.noise_rms, attack=self.attack),
            descriptors.ring_kept_db(x, sample_rate=self.sample_rate, fade_out=self.fade_out))


def pitch(x: Floats, sample_rate: int, attack: int, tail_end: int) -> float | None:
    """Pitch (Hz) of a window, (frames,), up to where its tail ends; None where nothing tonal rings."""
    return descriptors.fundamental_hz(x, sample_rate=sample_rate, attack=attack,
                                      stop=min(len(x), max(tail_end, attack + 1)))


def finished_measures(files: Iterable[Sample], read: Callable[[Sample], tuple[Floats, int]], hit: int, home: str,
                      noise: TakeNoise, above_db: float) -> tuple[Sample, HomeMeasures] | None:
    """The file of a hit's one-shot that has the home mic as it was cut, or processed since, and what it tells; None
    where no file has. Levels count to 0.01 dB and offsets to 1e-7, as a manifest holds them.

    ``read``: a file -> float64 (channels, frames), and its sample rate; ``noise``: what is steady in its take;
    ``above_db``: how far above the noise tails end.
    """
    file = next((each for each in files if home in each.mics and not each.repaired and each.hit == hit), None)
    if file is None or (file.gain_db > 0 and (file.peak_dbfs or 0.0) > FULL_DBFS):  # stopped at full scale: told of
        return None
    audio, rate = read(file)
    if audio.shape[1] != file.frames:
        return None
    x, at = unfaded(audio[file.mics.index(home)], file), file.onset_frame
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
    pitch_hz = descriptors.fundamental_hz(x, sample_rate=rate, attack=at, stop=end)
    # a tail that ends near the noise cannot be told beside an offset that is only known from the file
    untold = steady != 0 and known is None
    ring = None if untold else descriptors.ring_kept_db(x, sample_rate=rate, fade_out=file.fade_out_frames)
    return file, HomeMeasures(pitch_hz, decay, ring)


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
