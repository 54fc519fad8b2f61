"""Readers of other people's files, each with a few hundred damaged ones: ``tests/fuzz.py`` says what holds, and goes on
for as long as one likes.
"""

from __future__ import annotations

from collections import Counter
from itertools import islice
from pathlib import Path

import fuzz
import numpy as np
import pytest

EACH = 60


@pytest.mark.full
def test_damaged_files_are_taken_or_refused_in_a_line(tmp_path: Path) -> None:
    """No reader raises anything but an error of its own, grows without bounds, or writes."""
    kinds = len(fuzz.KINDS)
    outcomes = Counter(islice(fuzz.run(tmp_path, seed=28), EACH * kinds))

    names = {name for name, _ in outcomes}
    assert set(fuzz.KINDS) == names
    assert {"refused"} <= {said for _, said in outcomes}
    assert all(outcomes[name, "taken"] + outcomes[name, "refused"] == EACH for name in names)


def test_a_reader_that_breaks_is_told(tmp_path: Path) -> None:
    """The check can fail: an error that is none of ours comes out, with the bytes that did it."""
    path = tmp_path / "a.txt"

    def fragile(path: Path) -> int:
        return int(path.read_bytes()[:1].hex()[9])

    with pytest.raises(IndexError):
        fuzz.tried(fuzz.Reader("fragile", path, b"abc", fragile), np.random.default_rng(1))


@pytest.mark.parametrize("inside", ["new.txt", "beside/new.txt", "there.txt"])
def test_a_reader_that_writes_is_told(tmp_path: Path, inside: str) -> None:
    """A file that is new in the folder or below it, or one that was there and is written over."""
    (tmp_path / "beside").mkdir()
    (tmp_path / "there.txt").write_text("old", encoding="utf-8")

    def writing(path: Path) -> int:
        return (path.parent / inside).write_text("something", encoding="utf-8")

    with pytest.raises(AssertionError, match="was written"):
        fuzz.tried(fuzz.Reader("writing", tmp_path / "a.txt", b"abc", writing), np.random.default_rng(1))
