"""Progress: how far the work is, and how a terminal shows it on one line."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import IO

Progress = Callable[[str, float], None]
"""Called with the stage and the share done, 0 to 1; or, with ``A_LINE`` for a share, with a line to be read."""
A_LINE = -1.0


class ProgressLine:
    """One line on a terminal that is written over as the work goes on; elsewhere only what is to be read, if that."""

    def __init__(self, stream: IO[str], *, silent: bool = False) -> None:
        self.stream, self.silent = stream, silent
        self.lively = stream.isatty() and os.environ.get("TERM") != "dumb"
        self.start = time.monotonic()
        self.last = 0.0
        self.stage = ""

    def __call__(self, stage: str, share: float) -> None:
        """Show the stage and its share, 0 to 1, at most ten times a second; a negative share is a line that stays."""
        if share < 0:
            self.clear()
            if not self.silent:
                self.stream.write(f"{stage}\n")
                self.stream.flush()
            return
        now = time.monotonic()
        if not self.lively or (stage == self.stage and share < 1 and now - self.last < 0.1):
            return
        self.stage, self.last = stage, now
        minutes, seconds = divmod(int(now - self.start), 60)
        share = min(max(share, 0.0), 1.0)
        bar = "=" * round(24 * share)
        self.stream.write(f"\r\x1b[K{stage:<12.40} [{bar:<24}] {share:4.0%}  {minutes}:{seconds:02d}")
        self.stream.flush()

    def clear(self) -> None:
        """Take the line away again, so that the result starts on a clean one."""
        if self.lively and self.stage:
            self.stream.write("\r\x1b[K")
            self.stream.flush()


@contextmanager
def watched(stream: IO[str], *, silent: bool = False) -> Iterator[ProgressLine]:
    """Progress on a stream while the body runs."""
    shown = ProgressLine(stream, silent=silent)
    try:
        yield shown
    finally:
        shown.clear()
