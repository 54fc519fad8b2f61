"""Single strokes of sessions that are known in full, each alone, as all mics hear it: what is left of a recording
without one is everything else.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any
from zlib import crc32

import numpy as np
import real_takes
from numpy.typing import NDArray

from oneshot.synth import family, render
from oneshot.synth.plans import KitPlan, TakePlan
from oneshot.synth.scene import Scene

SEED = 1
Signal = NDArray[np.float64]
REAL = {"slate": (real_takes.slate, 1), "groove": (real_takes.groove, 2)}
"""Takes of real strokes as ``tests.evaluation`` writes them, with their seeds."""


class Alone:
    """The strokes of one take of the generated family, or of real strokes (name "real"), one by one; ``planned``: of
    another plan and its takes, rendered with ``seed``.
    """

    def __init__(self, name: str, take: str, known: Mapping[str, Any],
                 planned: tuple[KitPlan, Sequence[TakePlan]] | None = None, seed: int = SEED) -> None:
        self._scale, self._drawn = float(known["scale"]), seed
        self._real = name == "real"
        if self._real:
            strokes, self._seed = REAL[take]
            self._strokes: list[Any] = sorted(strokes(), key=lambda s: (s.at_s, s.drum))
            self.mics = list(real_takes.MICS)
            return
        plan, takes = planned or family()[name]
        self._take = next(t for t in takes if t.name == take)
        self._scene = Scene(plan, seed)
        self.mics = list(self._scene.channels)
        self._strokes = sorted(self._take.strokes, key=lambda s: (s.at_s, s.drum, s.articulation))

    def __call__(self, number: int, mic: str, start: int, frames: int) -> Signal:
        """Frames from take frame ``start`` of stroke ``number`` (``id`` in the truth) in one mic, float64."""
        image, at = self._image(number)
        out = np.zeros(frames)
        first, last = max(at, start), min(at + image.shape[1], start + frames)
        if last > first:
            out[first - start : last - start] = image[self.mics.index(mic), first - at : last - at]
        return out

    def _image(self, number: int) -> tuple[Signal, int]:
        """One stroke (mics, frames) and the take frame it starts at."""
        if getattr(self, "_kept", (-1,))[0] == number:
            return self._kept[1:]
        stroke = self._strokes[number]
        if self._real:
            rng = np.random.default_rng([self._seed, number])
            sound, _ = real_takes.recording(stroke.drum, stroke.articulation, stroke.strength_db, rng)
            spectra = np.stack([np.fft.rfft(real_takes.response(stroke.drum, m), 2**18) for m in self.mics])
            image = np.fft.irfft(spectra * np.fft.rfft(sound, 2**18), axis=1)
            start = int((stroke.at_s + 1.0) * real_takes.RATE)
        else:
            rng = np.random.default_rng([self._drawn, 5, crc32(self._take.name.encode()), number])
            following = next((s for s in self._strokes[number + 1 :]
                              if s.drum == stroke.drum and s.at_s > stroke.at_s), None)
            heard, start, _, _ = render._sound(self._scene, stroke, following, self._scene.homes(), rng)
            image = heard.astype(np.float64)
        self._kept: tuple[int, Signal, int] = (number, image * self._scale, start)
        return self._kept[1:]
