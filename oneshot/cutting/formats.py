"""Formats: the files as cut, brought to the level, sample rate, word length and format that the recipe asks for.

Where it asks for nothing they stay as cut, bit for bit. A trim is one for a whole drum or the whole kit, all its mics
and layers alike, so that a soft layer stays soft; ``file`` alone sets each by itself. In a lite kit one stereo mixdown
stands in place of a hit's mics; it is mixed from the files as cut, in float64, and rounded once.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import count
from pathlib import Path

import numpy as np

from oneshot.audio import loudness
from oneshot.audio.convert import quantised, resampled
from oneshot.audio.io import is_float, read_audio, read_header, write_sound
from oneshot.config.recipe import Finishing
from oneshot.core.files import sha256_of
from oneshot.core.records.kit import Fader, OneShot, Print, Sample
from oneshot.core.records.session import Floats, Mic, Problem
from oneshot.cutting.mix import mixdown
from oneshot.cutting.mix.balance import first_excursion

SUFFIXES = {"wav": ".wav", "flac": ".flac", "aiff": ".aiff"}
WRITTEN = {"wav": ("PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"), "flac": ("PCM_16", "PCM_24"),
           "aiff": ("PCM_16", "PCM_24", "PCM_32")}
"""Format -> the sample formats it is written in; sources of others become 24 bits."""
SUBTYPES = {"16": "PCM_16", "24": "PCM_24", "32 float": "FLOAT"}
BITS = {"PCM_16": 16, "PCM_24": 24, "PCM_32": 32}
EDGE = 8
"""Frames over which an end is silent again after a change of rate: a fade has only begun by then."""


@dataclass(frozen=True, slots=True, eq=False)
class _Done:
    """A file as it was written: its path, float64 (channels, frames), Hz, and its rate over the one before."""

    path: str
    sound: Floats
    sample_rate: int
    ratio: float


@dataclass(slots=True)
class Finisher:
    """Finishes the files in a kit's folder. ``gain_db``: drum -> the trim of all its files; ``told``: what could not be
    done without a loss; ``bus``: left and right of the bus that mixdowns are files of.
    """

    folder: Path
    asked: Finishing
    balance: Mapping[str, Fader] = field(default_factory=dict)
    bus: tuple[Mic, ...] = ()
    gain_db: dict[str, float] = field(default_factory=dict)
    told: list[Problem] = field(default_factory=list)
    _mixed: dict[str, OneShot] = field(default_factory=dict)

    def shots(self, shots: tuple[OneShot, ...]) -> tuple[OneShot, ...]:
        """One-shots with their files finished. Raises AudioError where one cannot be read, OSError where one cannot be
        written.
        """
        if self.asked.plain:
            return shots
        if self.asked.lite:
            return self._lite(shots)
        return self._finish(shots)

    def _finish(self, shots: tuple[OneShot, ...]) -> tuple[OneShot, ...]:
        self.gain_db = self._trims(shots)
        return tuple(replace(shot, files=tuple(self._sample(shot, each) for each in shot.files),
                             untouched=tuple(self._sample(shot, each) for each in shot.untouched)) for shot in shots)

    def _lite(self, shots: tuple[OneShot, ...]) -> tuple[OneShot, ...]:
        """One-shots with a mixdown each; the files of their mics go."""
        used: set[str] = set()
        mixes = []
        for shot in shots:
            mix = self._mix_of(shot, used)
            self._mixed[mix.path] = shot
            mixes.append(replace(shot, files=(mix,), untouched=()))
        out = self._finish(tuple(mixes))
        for shot in shots:
            for each in (*shot.files, *shot.untouched):
                (self.folder / each.path).unlink()
        return out

    def _mix_of(self, shot: OneShot, used: set[str]) -> Sample:
        """The record of a mixdown: start and attack are its files', grade, bleed and fades the worst of those that
        play.
        """
        heard = [each for each in shot.files if each.plays and any(self._on(mic) for mic in each.mics)]
        heard = heard or list(shot.files)
        stem = re.sub(r"(_V\d+_RR\d+)_[^/]*$", r"\1_mix", heard[0].path)
        path = next(name for n in count(1) if (name := f"{stem}{'' if n == 1 else f'-{n}'}.wav").lower() not in used)
        used.add(path.lower())
        bleeds = [each.bleed_db for each in heard]
        known = [bleed for bleed in bleeds if bleed is not None]
        mics = tuple(mic for each in heard for mic in each.mics if self._on(mic)) or heard[0].mics
        return replace(
            heard[0], path=path, mics=tuple(mic.name for mic in self.bus), mix_of=mics, hit=shot.hit,
            source_start=shot.files[0].source_start, inverted=False, shift_frames=0,
            frames=max(each.frames for each in heard),
            fade_in_frames=_together([each.fade_in_frames for each in heard]),
            fade_out_frames=_together([each.fade_out_frames for each in heard]),
            grade=max(each.grade for each in heard), bleed_db=max(known) if len(known) == len(bleeds) else None,
            repaired=tuple(dict.fromkeys(kind for each in heard for kind in each.repaired)),
            repairs=tuple(row for each in heard for row in each.repairs))

    def _on(self, mic: str) -> bool:
        return mic in self.balance and self.balance[mic].on

    def _read(self, name: str) -> tuple[Floats, int, str]:
        """A file, or the mix that is to become one: float64 (channels, frames), Hz, and its source's subtype."""
        shot = self._mixed.get(name)
        if shot is None:
            x, header = read_audio(self.folder / name)
            return x, header.sample_rate, header.subtype
        x, rate = mixdown.stereo(self.folder, shot, self.balance)
        return x, rate, read_header(self.folder / shot.files[0].path).subtype

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
        x, rate, _ = self._read(sample.path)
        peak = loudness.true_peak_dbtp(resampled(x, rate, self.asked.rate or rate), self.asked.rate or rate)
        return -math.inf if peak is None else peak

    def _sample(self, shot: OneShot, sample: Sample) -> Sample:
        """One file of a one-shot."""
        gain = self.gain_db[shot.drum] if self.asked.level != "file" else self._trim(self._peak_db(sample))
        done = self._finished(sample.path, gain, self.asked.rate)
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
        done = self._finished(each.path, 0.0, self.asked.sample_rate)
        levels = loudness.measure(done.sound, done.sample_rate)
        return replace(each, path=done.path, frames=done.sound.shape[1],
                       offset_frames=round(each.offset_frames * done.ratio),
                       first_excursion=first_excursion(done.sound.sum(axis=0), sample_rate=done.sample_rate),
                       fade_out_frames=None if each.fade_out_frames is None else
                       min(round(each.fade_out_frames * done.ratio), done.sound.shape[1]), sample_rate=done.sample_rate,
                       sha256=sha256_of(self.folder / done.path), peak_dbfs=levels.peak_dbfs,
                       true_peak_dbtp=levels.true_peak_dbtp, momentary_lufs=levels.momentary_lufs)

    def _finished(self, name: str, gain_db: float, wanted: int) -> _Done:
        """Read a file, and write it anew as the recipe asks, at ``wanted`` Hz (0: as it is); the old one goes where its
        name changes.
        """
        x, before, coding = self._read(name)
        rate = wanted or before
        y = resampled(x, before, rate)
        if rate != before:  # where the ends were silent they are again: a converter's filter rings ahead and after
            y = _silent_ends(y, start=not x[:, :1].any(), end=not x[:, -1:].any())
        y = y * 10 ** (gain_db / 20) if gain_db else y
        subtype = SUBTYPES.get(self.asked.bits, coding)
        if subtype not in WRITTEN[self.asked.format]:
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
                self.told.append(Problem(path, f"is limited to full scale, {over:.1f} dB too loud",
                                         "set files.level, or files.bits = \"32 float\""))
        if path != name and name not in self._mixed:
            (self.folder / name).unlink()
        return _Done(path, sound, rate, rate / before)


def _together(fades: Sequence[int]) -> int:
    """The fade of a mixdown whose parts have these: the longest, and none where one of them has none."""
    return max(fades) if min(fades) > 0 else 0


def _silent_ends(x: Floats, *, start: bool, end: bool) -> Floats:
    """``x`` (channels, frames) with its first or last frames brought down to exactly 0."""
    rise = 0.5 - 0.5 * np.cos(np.pi * np.arange(min(EDGE, x.shape[1] // 2)) / EDGE)
    out = x.copy()
    if start:
        out[:, :len(rise)] *= rise
    if end:
        out[:, x.shape[1] - len(rise):] *= rise[::-1]
    return out
