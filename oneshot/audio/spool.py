"""Spool: sound that would not fit into memory, kept on the disk while it is worked on.

The file has no name where the system allows that (Linux), and loses it at once elsewhere on POSIX: whatever happens to
the process, nothing of it is left.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterable
from pathlib import Path
from types import TracebackType

import numpy as np

from oneshot.core.records.session import Floats


class Spool:
    """Sound of any length, float64 exactly as it came, to be read by windows. Memory: one window. For ``with``."""

    def __init__(self, channels: int, folder: Path | None = None) -> None:
        """``folder``: on whose disk it lies; None: where temporary files go. Raises OSError."""
        self.channels, self.frames = channels, 0
        self._file = tempfile.TemporaryFile(dir=folder, buffering=0)  # noqa: SIM115 - closed by ``with`` around this

    def take(self, blocks: Iterable[Floats]) -> None:
        """Keep blocks (channels, frames), one after the other. Raises OSError where the disk is full."""
        self._file.seek(0, 2)
        for block in blocks:
            rest = memoryview(np.ascontiguousarray(block.T, dtype="<f8").tobytes())
            while rest:
                rest = rest[self._file.write(rest):]
            self.frames += block.shape[1]

    def read(self, start: int, stop: int) -> Floats:
        """Frames [start, stop) as (channels, frames); zeros outside of what there is. Raises OSError."""
        out = np.zeros((self.channels, max(stop - start, 0)))
        low, high = max(start, 0), min(stop, self.frames)
        if high > low:
            self._file.seek(low * self.channels * 8)
            raw = np.frombuffer(self._file.read((high - low) * self.channels * 8), "<f8")
            out[:, low - start:high - start] = raw.reshape(-1, self.channels).T
        return out

    def __enter__(self) -> Spool:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        self._file.close()
