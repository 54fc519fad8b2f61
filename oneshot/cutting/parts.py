"""Parts: the files of a one-shot as they are cut: what each is made of, its row, its samples with their fades, its
name. Nothing here writes a file: what is finished and written is in ``formats.py`` and ``files.py``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from oneshot.analysis.result import Analysis
from oneshot.audio.convert import quantised
from oneshot.audio.io import as_read_back, is_float
from oneshot.config.handling import Handling
from oneshot.core.records.hits import Hit
from oneshot.core.records.kit import Sample
from oneshot.core.records.session import Floats, Mic, Problem, Take
from oneshot.cutting import fades
from oneshot.cutting.fades import Samples, as_float
from oneshot.cutting.file_names import REPAIRED


@dataclass(frozen=True, slots=True)
class Part:
    """What one file is made of: its mics, the hit it shows, and where it starts in the take, read ``shift`` frames
    later. ``fade_out``: frames; ``turned``: to be turned over.
    """

    mics: tuple[Mic, ...]
    shown: Hit
    start: int
    fade_out: int
    shift: int = 0
    turned: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """A file of a one-shot as it was cut: its row, save for its path and what only the finished file tells; its
    samples (mics, frames); sample rate (Hz) and subtype of its source; and what its name says of its mics.

    ``untouched``: a repaired one plays in its place.
    """

    row: Sample
    audio: Samples
    sample_rate: int
    subtype: str
    label: str
    untouched: bool = False

    @property
    def sound(self) -> Floats:
        """Its samples, float64, as a file of its source's subtype would hold them; a mixdown's are not rounded yet."""
        return as_float(self.audio) if self.row.mixdown else as_read_back(self.audio, self.subtype)


def row_of(part: Part, plan: fades.CutPlan, said: Handling, analysis: Analysis) -> Sample:
    """The row of a file before anything of it is read."""
    grade, bleed_db = judged(part.shown, part.mics, part.start + plan.frames, analysis)
    return Sample(
        mics=tuple(m.name for m in part.mics), path="", frames=plan.frames, source_start=part.start,
        onset_frame=plan.onset_frame, fade_in_frames=plan.fade_in_frames, fade_out_frames=part.fade_out,
        gain_db=said.gain_db, inverted=part.turned, grade=grade, hit=part.shown.id, repaired=(), peak_dbfs=None,
        true_peak_dbtp=None, momentary_lufs=None, integrated_lufs=None, bleed_db=bleed_db, sha256="",
        nudged_frames=said.nudge_frames, shift_frames=part.shift)


def judged(hit: Hit, group: Sequence[Mic], stop: int, analysis: Analysis) -> tuple[str, float | None]:
    """Grade and bleed (dB) of a file that ends at take frame ``stop``, those of its worse side."""
    grades = analysis.graded(hit, group, stop)
    bleeds = [hit.bleed_db.get(m.name) for m in group]
    known = [b for b in bleeds if b is not None]
    return max(grades.get(m.name, "D") for m in group), max(known) if len(known) == len(bleeds) else None


def piece_of(row: Sample, part: Part, audio: Samples, take: Take) -> Piece:
    """A file with its fades and its gain. ``audio``: as read, or repaired, (mics, frames)."""
    whole = not is_float(take.subtype)
    bits = int(take.subtype.removeprefix("PCM_")) if whole else 32
    label = f"{label_of(part.mics)} {REPAIRED}" if row.repaired else label_of(part.mics)
    levelled = row.gain_db != 0 and whole
    out = fades.render(as_float(audio) if levelled else audio, fade_in=row.fade_in_frames, fade_out=row.fade_out_frames,
                       bits=bits, gain_db=row.gain_db, inverted=row.inverted)
    if levelled:  # a gain leaves samples between the steps; the noise knows the stroke, not the name it has now
        out = quantised(as_float(out), bits, f"{take.name}, {part.shown.onset}, {label}")
    return Piece(row, out, take.sample_rate, take.subtype, label)


def clipping(piece: Piece, audio: Samples, hit: Hit) -> list[Problem]:
    """What to tell where the gain of a file, ``audio`` before it, takes it beyond full scale."""
    if is_float(piece.subtype) or piece.row.gain_db <= 0:
        return []
    if float(np.abs(as_float(audio)).max(initial=0.0)) * 10 ** (piece.row.gain_db / 20) <= 1:
        return []
    return [Problem("corrections.toml", f"a gain of {piece.row.gain_db:g} dB clips {piece.row.mics[0]} of the hit at "
                    f"frame {hit.onset} of {hit.take}", "use a lower gain_db")]


def label_of(group: Sequence[Mic]) -> str:
    """What a file's name says of its mics."""
    return group[0].pair if len(group) == 2 and group[0].pair else group[0].name


def grouped(mics: Sequence[Mic]) -> list[tuple[Mic, ...]]:
    """Mics gathered into files: left and right of a pair in one, every other mic alone."""
    out: list[tuple[Mic, ...]] = []
    for mic in mics:
        partner = [m for m in mics if mic.pair and m.pair == mic.pair and m.name != mic.name]
        if len(partner) == 1 and {mic.side, partner[0].side} == {"L", "R"} and mic.role is partner[0].role:
            if mic.side == "L":
                out.append((mic, partner[0]))
        else:
            out.append((mic,))
    return out
