"""Finishing: the files that were cut, at the level, sample rate, word length and format that the recipe asks for.

Where it asks for nothing they stay as they were cut, bit for bit. A trim is one for a whole drum or the whole kit, all
its mics and layers alike, so that a soft layer stays soft; ``file`` alone sets each by itself.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from oneshot import loudness
from oneshot.audio import Header, is_float, read_audio, write_sound
from oneshot.convert import quantised, resampled
from oneshot.files import sha256_of
from oneshot.model import Floats, OneShot, Print, Problem, Sample
from oneshot.recipe import Finishing

SUFFIXES = {"wav": ".wav", "flac": ".flac", "aiff": ".aiff"}


SUBTYPES = {"16": "PCM_16", "24": "PCM_24", "32 float": "FLOAT"}
BITS = {"PCM_16": 16, "PCM_24": 24, "PCM_32": 32}


@dataclass(frozen=True, slots=True, eq=False)
class _Done:
    """A file as it was written: its path, float64 (channels, frames), Hz, and its rate over the one before."""

    path: str
    sound: Floats
    sample_rate: int
    ratio: float


@dataclass(slots=True)
class Finisher:
    """Finishes the files in a kit's folder. ``gain_db``: drum -> the trim that all its files got; ``told``: what could
    not be done without a loss.
    """

    folder: Path
    asked: Finishing
    gain_db: dict[str, float] = field(default_factory=dict)
    told: list[Problem] = field(default_factory=list)

    def shots(self, shots: tuple[OneShot, ...]) -> tuple[OneShot, ...]:
        """One-shots with their files finished. Raises AudioError where one cannot be read, OSError where one cannot be
        written.
        """
        if self.asked.plain:
            return shots
        self.gain_db = self._trims(shots)
        return tuple(replace(shot, files=tuple(self._sample(shot, each) for each in shot.files),
                             untouched=tuple(self._sample(shot, each) for each in shot.untouched)) for shot in shots)

    def prints(self, prints: tuple[Print, ...]) -> tuple[Print, ...]:
        """Prints in the format asked for; their level is the print's own affair. Raises as ``shots``."""
        if self.asked.plain:
            return prints
        return tuple(self._print(each) for each in prints)

    def _trims(self, shots: Iterable[OneShot]) -> dict[str, float]:
        """Drum -> trim, dB: its hardest true peak comes to where the recipe wants it; rounded down, as the manifest
        holds it.
        """
        peaks: dict[str, float] = {}
        for shot in shots:
            for each in (*shot.files, *shot.untouched):
                peak = self._peak_db(each)
                peaks[shot.drum] = max(peaks.get(shot.drum, -math.inf), peak)
        if self.asked.level == "kit":
            peaks = dict.fromkeys(peaks, max(peaks.values(), default=-math.inf))
        by_drum = self.asked.level in ("drum", "kit")
        return {drum: self._trim(peak) if by_drum else 0.0 for drum, peak in peaks.items()}

    def _trim(self, peak_db: float) -> float:
        """What brings a peak to where the recipe wants it, in whole hundredths of a dB."""
        return 0.0 if not math.isfinite(peak_db) else math.floor((self.asked.peak_dbtp - peak_db) * 100) / 100

    def _peak_db(self, sample: Sample) -> float:
        """True peak of a file at the rate it will have, dB."""
        x, header = read_audio(self.folder / sample.path)
        peak = loudness.true_peak_dbtp(resampled(x, header.sample_rate, self._rate(header)), self._rate(header))
        return -math.inf if peak is None else peak

    def _rate(self, header: Header) -> int:
        return self.asked.sample_rate or header.sample_rate

    def _sample(self, shot: OneShot, sample: Sample) -> Sample:
        """One file of a one-shot."""
        gain = self.gain_db[shot.drum] if self.asked.level != "file" else self._trim(self._peak_db(sample))
        done = self._finished(sample.path, gain)
        onset, frames = round(sample.onset_frame * done.ratio), done.sound.shape[1]
        fade_in = min(round(sample.fade_in_frames * done.ratio), onset)
        levels = loudness.measure(done.sound, done.sample_rate)
        return replace(sample, path=done.path, frames=frames, onset_frame=onset, fade_in_frames=fade_in,
                       fade_out_frames=min(round(sample.fade_out_frames * done.ratio), frames - fade_in),
                       gain_db=sample.gain_db + gain, sha256=sha256_of(self.folder / done.path),
                       sample_rate=done.sample_rate, peak_dbfs=levels.peak_dbfs,
                       true_peak_dbtp=levels.true_peak_dbtp, momentary_lufs=levels.momentary_lufs,
                       integrated_lufs=levels.integrated_lufs)

    def _print(self, each: Print) -> Print:
        """One print."""
        done = self._finished(each.path, 0.0)
        levels = loudness.measure(done.sound, done.sample_rate)
        return replace(each, path=done.path, frames=done.sound.shape[1],
                       offset_frames=round(each.offset_frames * done.ratio), sample_rate=done.sample_rate,
                       sha256=sha256_of(self.folder / done.path), peak_dbfs=levels.peak_dbfs,
                       true_peak_dbtp=levels.true_peak_dbtp, momentary_lufs=levels.momentary_lufs)

    def _finished(self, name: str, gain_db: float) -> _Done:
        """Read a file, and write it anew as the recipe asks; the old one goes where its name changes."""
        x, header = read_audio(self.folder / name)
        rate = self._rate(header)
        y = resampled(x, header.sample_rate, rate)
        y = y * 10 ** (gain_db / 20) if gain_db else y
        subtype = SUBTYPES.get(self.asked.bits, header.subtype)
        if self.asked.format == "flac" and subtype not in ("PCM_16", "PCM_24"):
            subtype = "PCM_24"
        path = Path(name).with_suffix(SUFFIXES[self.asked.format]).as_posix()
        over = 20 * math.log10(max(float(np.abs(y).max(initial=0.0)), 1e-9))
        if is_float(subtype):
            write_sound(self.folder / path, y, rate, subtype)
            sound = y
        else:
            whole = quantised(y, BITS[subtype], path)
            write_sound(self.folder / path, whole, rate, subtype)
            sound = whole / 2.0**31
            if over > 0:
                self.told.append(Problem(path, f"is stopped at full scale, {over:.1f} dB too loud",
                                         "ask for a level, or for 32 bit float"))
        if path != name:
            (self.folder / name).unlink()
        return _Done(path, sound, rate, rate / header.sample_rate)
