"""Formats: files as they were cut, brought to the level, sample rate, word length and format that the recipe asks for.

Where it asks for nothing they stay as cut, bit for bit. A trim is one for a whole drum or the whole kit, all its mics
and layers alike, so that a soft layer stays soft; ``file`` alone sets each by itself. In a lite kit one stereo mixdown
stands in place of a hit's mics; it is mixed from the files as cut, in float64, and rounded once. Nothing here reads or
writes a file.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from oneshot.audio import loudness
from oneshot.audio.convert import quantised, resampled
from oneshot.audio.io import as_read_back, is_float, sound_bytes
from oneshot.config.recipe import Finishing
from oneshot.core.records.kit import Fader, Sample
from oneshot.core.records.session import Floats, Mic, Problem
from oneshot.cutting.fades import Samples
from oneshot.cutting.mix import mixdown
from oneshot.cutting.parts import Piece

SUFFIXES = {"wav": ".wav", "flac": ".flac", "aiff": ".aiff"}
WRITTEN = {"wav": ("PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"), "flac": ("PCM_16", "PCM_24"),
           "aiff": ("PCM_16", "PCM_24", "PCM_32")}
"""Format -> the sample formats it is written in; sources of others become 24 bits."""
SUBTYPES = {"16": "PCM_16", "24": "PCM_24", "32 float": "FLOAT"}
BITS = {"PCM_16": 16, "PCM_24": 24, "PCM_32": 32}
EDGE = 8
"""Frames over which an end is silent again after a change of rate: a fade has only begun by then."""


@dataclass(frozen=True, slots=True, eq=False)
class Finished:
    """A file as it will be: its path; its samples (channels, frames), int32 on the grid of ``subtype`` or float64; its
    rate (Hz), and that over the one before.
    """

    path: str
    samples: Samples
    sample_rate: int
    subtype: str
    ratio: float = 1.0

    @property
    def sound(self) -> Floats:
        """Its samples as whoever reads it gets them, float64, full scale 1.0."""
        return as_read_back(self.samples, self.subtype)

    def encoded(self) -> bytes:
        """The file, without tags. Raises ValueError where it is too long for its format."""
        return sound_bytes(self.samples, self.sample_rate, self.subtype, Path(self.path).suffix)


@dataclass(slots=True)
class Finisher:
    """Finishes files. ``gain_db``: drum -> the trim of all its files; ``told``: what could not be done without a
    loss.
    """

    asked: Finishing
    gain_db: dict[str, float] = field(default_factory=dict)
    told: list[Problem] = field(default_factory=list)

    @property
    def suffix(self) -> str:
        """That of every sound file of the kit."""
        return SUFFIXES[self.asked.format]

    @property
    def trims_groups(self) -> bool:
        """Whether every file of a drum or of the kit must be known before the first one is finished."""
        return self.asked.level in ("drum", "kit")

    def trim(self, peaks: Iterable[tuple[str, float]]) -> None:
        """Set the trims by the true peaks (dB) of all files, each with its drum: a drum's, or the kit's, hardest comes
        to where the recipe wants it.
        """
        most: dict[str, float] = {}
        for drum, peak in peaks:
            most[drum] = max(most.get(drum, -math.inf), peak)
        if self.asked.level == "kit":
            most = dict.fromkeys(most, max(most.values(), default=-math.inf))
        self.gain_db = {drum: self._trim(peak) for drum, peak in most.items()}

    def _trim(self, peak_db: float) -> float:
        """What brings a peak to where the recipe wants it, dB; rounded down, as the manifest holds it."""
        return 0.0 if not math.isfinite(peak_db) else math.floor((self.asked.peak_dbtp - peak_db) * 100) / 100

    def peak_db(self, piece: Piece) -> float:
        """True peak of a file at the rate it will have, dB."""
        rate = self.asked.rate or piece.sample_rate
        peak = loudness.true_peak_dbtp(resampled(piece.sound, piece.sample_rate, rate), rate)
        return -math.inf if peak is None else peak

    def finished(self, piece: Piece, drum: str, path: str) -> tuple[Sample, Finished]:
        """One file of a one-shot of a drum: its row, without its levels, and what is in it."""
        if self.asked.plain:
            return replace(piece.row, path=path), Finished(path, piece.audio, piece.sample_rate, piece.subtype)
        gain = self._trim(self.peak_db(piece)) if self.asked.level == "file" else self.gain_db.get(drum, 0.0)
        done = self.converted(piece.sound, piece.sample_rate, piece.subtype, path, gain, self.asked.rate)
        row, frames = piece.row, done.samples.shape[1]
        onset = round(row.onset_frame * done.ratio)
        fade_in = min(round(row.fade_in_frames * done.ratio), onset)
        return replace(row, path=path, frames=frames, onset_frame=onset, fade_in_frames=fade_in,
                       fade_out_frames=min(round(row.fade_out_frames * done.ratio), frames - fade_in),
                       gain_db=row.gain_db + gain, sample_rate=done.sample_rate), done

    def converted(self, x: Floats, before: int, subtype: str, path: str, gain_db: float, wanted: int) -> Finished:
        """A sound, float64 (channels, frames) at ``before`` Hz of a source of that subtype, as the recipe asks, at
        ``wanted`` Hz (0: as it is).
        """
        rate = wanted or before
        y = resampled(x, before, rate)
        if rate != before:  # where the ends were silent they are again: a converter's filter rings ahead and after
            y = _silent_ends(y, start=not x[:, :1].any(), end=not x[:, -1:].any())
        y = y * 10 ** (gain_db / 20) if gain_db else y
        coding = SUBTYPES.get(self.asked.bits, subtype)
        if coding not in WRITTEN[self.asked.format]:
            coding = "PCM_24"
        if is_float(coding):
            return Finished(path, y, rate, coding, rate / before)
        over = 20 * math.log10(max(float(np.abs(y).max(initial=0.0)), 1e-9))
        if over > 0:
            self.told.append(Problem(path, f"is limited to full scale, {over:.1f} dB too loud",
                                     "set files.level, or files.bits = \"32 float\""))
        return Finished(path, quantised(y, BITS[coding], path), rate, coding, rate / before)


def mixed(pieces: Sequence[Piece], balance: Mapping[str, Fader], bus: Sequence[Mic], hit: int) -> Piece:
    """A hit's files as cut, those that play mixed down by the balance to one whose mics are ``bus``, left and right."""
    parts = [(each.row, each.sound) for each in pieces if not each.untouched]
    row = mix_row([row for row, _ in parts], balance, bus, hit)
    return Piece(row, mixdown.mixed(parts, balance), pieces[-1].sample_rate, pieces[0].subtype, mixdown.LABEL)


def mix_row(rows: Sequence[Sample], balance: Mapping[str, Fader], bus: Sequence[Mic], hit: int) -> Sample:
    """The row of a mixdown: start and attack are its files', grade, bleed and fades the worst of those that play."""
    def on(mic: str) -> bool:
        """Whether the balance plays a mic."""
        return mic in balance and balance[mic].on

    heard = [each for each in rows if each.plays and any(on(mic) for mic in each.mics)] or list(rows)
    bleeds = [each.bleed_db for each in heard]
    known = [bleed for bleed in bleeds if bleed is not None]
    mics = tuple(mic for each in heard for mic in each.mics if on(mic)) or heard[0].mics
    return replace(
        heard[0], mics=tuple(mic.name for mic in bus), mix_of=mics, hit=hit, source_start=rows[0].source_start,
        inverted=False, shift_frames=0, frames=max(each.frames for each in heard),
        fade_in_frames=_together([each.fade_in_frames for each in heard]),
        fade_out_frames=_together([each.fade_out_frames for each in heard]),
        grade=max(each.grade for each in heard), bleed_db=max(known) if len(known) == len(bleeds) else None,
        repaired=tuple(dict.fromkeys(kind for each in heard for kind in each.repaired)),
        repairs=tuple(row for each in heard for row in each.repairs))


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
