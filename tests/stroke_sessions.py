"""Sessions of a few strokes, and the sums of what came of them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from stage_inputs import RATE, noise, strike, write_mics

from oneshot.core.files import sha256_of

NAMES = ("Kick", "Snare", "OH L", "OH R")


def strokes(folder: Path, **changed: Any) -> Path:
    """A session of four mics and three strokes; ``changed``: mic -> samples in place of its own, None for no file."""
    mics = {}
    for m, name in enumerate(NAMES):
        x = noise(3 * RATE, -80, m)
        for k in range(3):
            x[(k * RATE) + 9000 + 40 * m :][: RATE // 4] += strike(k, 0.05, seconds=0.25) * 0.4 / (m + 1)
        mics[name] = x
    write_mics(folder, {name: x for name, x in {**mics, **changed}.items() if x is not None})
    return folder


def sums(folder: Path) -> dict[str, str]:
    """Path in the folder -> SHA-256 of every file, hidden ones included."""
    return {p.relative_to(folder).as_posix(): sha256_of(p) for p in sorted(folder.rglob("*")) if p.is_file()}
