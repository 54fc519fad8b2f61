"""The command line, run from a test."""

from __future__ import annotations

import pytest

from oneshot.cli import main


def main_code(*words: str) -> int:
    """The exit code that the command line leaves with."""
    with pytest.raises(SystemExit) as left:
        main(words)
    return int(left.value.code or 0)
