"""Writer: one file of a one-shot, faded, written under a free name, and measured as written."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path
from typing import Any

import numpy as np

from oneshot.analysis.result import Analysis
from oneshot.audio import loudness
from oneshot.audio.convert import quantised
from oneshot.audio.io import is_float, write_wav
from oneshot.config.corrections_file import safe_name
from oneshot.config.handling import Handling
from oneshot.core.files import sha256_of
from oneshot.core.records.hits import Hit
from oneshot.core.records.kit import Sample
from oneshot.core.records.session import Mic, Problem, Take
from oneshot.cutting import fades
from oneshot.cutting.fades import Samples, as_float
from oneshot.selection.select import Pick

NAME_LENGTH = 64
REPAIRED = "repaired"
"""Ends the name of a repaired file; the unrepaired one beside it has the usual name."""


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """What one file is made of: its mics, the hit it shows, and the samples (mics, frames) from take frame ``start``,
    read ``shift`` frames later.

    ``fade_outs``: mic -> frames; ``turned``: to be turned over; ``done``: how it was repaired.
    """

    mics: tuple[Mic, ...]
    shown: Hit
    start: int
    audio: Samples
    fade_outs: Mapping[str, int]
    shift: int = 0
    turned: bool = False
    done: tuple[Mapping[str, object], ...] = ()


@dataclass(slots=True)
class Writer:
    """Writes into a kit's folder. ``told``: what could not be done as the user set it; ``used``: the names taken."""

    folder: Path
    analysis: Analysis
    told: list[Problem]
    used: set[str] = field(default_factory=set)

    def write(self, take: Take, hit: Hit, pick: Pick, part: Part, plan: fades.CutPlan, said: Handling) -> Sample:
        """Write one file, a mic or a pair, and measure what was written. Raises OSError."""
        group, audio, shown = part.mics, part.audio, part.shown
        fade_out = part.fade_outs[group[0].name]
        bits = 32 if is_float(take.subtype) else int(take.subtype.removeprefix("PCM_"))
        label = f"{label_of(group)} {REPAIRED}" if part.done else label_of(group)
        levelled = said.gain_db != 0 and not is_float(take.subtype)
        out = fades.render(as_float(audio) if levelled else audio, fade_in=plan.fade_in_frames, fade_out=fade_out,
                           bits=bits, gain_db=said.gain_db, inverted=part.turned)
        if levelled:  # a gain leaves samples between the steps; the noise knows the stroke, not the name it has now
            out = quantised(as_float(out), bits, f"{take.name}, {shown.onset}, {label}")
        loudest = float(np.abs(as_float(audio)).max(initial=0.0)) * 10 ** (said.gain_db / 20)
        if not is_float(take.subtype) and loudest > 1:
            self.told.append(Problem("corrections.toml", f"a gain of {said.gain_db:g} dB clips {group[0].name} of the "
                                     f"hit at frame {hit.onset} of {hit.take}", "use a lower gain_db"))
        path = self.folder / self.free_path(hit, pick, label)
        path.parent.mkdir(parents=True, exist_ok=True)
        write_wav(path, out, take.sample_rate, take.subtype)
        levels = loudness.measure(as_float(out), take.sample_rate)
        return Sample(
            mics=tuple(m.name for m in group), path=path.relative_to(self.folder).as_posix(), frames=out.shape[1],
            source_start=part.start, onset_frame=plan.onset_frame, fade_in_frames=plan.fade_in_frames,
            fade_out_frames=fade_out, gain_db=said.gain_db, inverted=part.turned, hit=shown.id,
            repaired=tuple(dict.fromkeys(str(each["kind"]) for each in part.done)), repairs=part.done,
            peak_dbfs=levels.peak_dbfs, true_peak_dbtp=levels.true_peak_dbtp, momentary_lufs=levels.momentary_lufs,
            integrated_lufs=levels.integrated_lufs, sha256=sha256_of(path), nudged_frames=said.nudge_frames,
            shift_frames=part.shift, **self.judged(shown, group, part.start + out.shape[1]))

    def judged(self, hit: Hit, group: Sequence[Mic], stop: int) -> dict[str, Any]:
        """Grade and bleed of a file that ends at take frame ``stop``, those of its worse side."""
        grades = self.analysis.graded(hit, group, stop)
        bleeds = [hit.bleed_db.get(m.name) for m in group]
        known = [b for b in bleeds if b is not None]
        return {"grade": max(grades.get(m.name, "D") for m in group),
                "bleed_db": max(known) if len(known) == len(bleeds) else None}

    def free_path(self, hit: Hit, pick: Pick, label: str) -> Path:
        """A path that no file of the kit has yet, also where a file system takes no notice of case."""
        for again in count(1):
            path = sample_path(hit, pick, label, again)
            if path.as_posix().lower() not in self.used:
                break
        self.used.add(path.as_posix().lower())
        return path


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


def sample_path(hit: Hit, pick: Pick, label: str, again: int = 1) -> Path:
    """samples/<drum>/<articulation>/<drum>_<articulation>_V03_RR02_<mic>.wav, a name of at most 64 ASCII characters.

    A session may call drums and mics as it likes: signs that a file name cannot show everywhere become hyphens.
    ``again`` above 1 ends the name with that number, for mics whose names are then alike.
    """
    drum, way = safe_name(hit.drum) or "drum", safe_name(hit.articulation)[:16].strip("-") or "hit"
    stem = f"{drum}_{way}_V{pick.layer:02d}_RR{pick.round_robin:02d}"
    mic = re.sub(r"[^A-Za-z0-9]+", "-", label).strip("-") or "mic"
    end = ".wav" if again == 1 else f"-{again}.wav"
    room = NAME_LENGTH - len(stem) - len(f"_{end}")
    return Path("samples") / drum / way / f"{stem}_{mic[:room].rstrip('-')}{end}"
