"""Counts of things in words."""

from __future__ import annotations

import pytest

from oneshot.core.text import counted, counted_either


@pytest.mark.parametrize(("number", "words"), [(0, "0 mics"), (1, "1 mic"), (2, "2 mics"), (1200, "1,200 mics")])
def test_one_is_singular(number: int, words: str) -> None:
    """All other numbers are not."""
    assert words == counted(number, "mic")


@pytest.mark.parametrize(("numbers", "words"), [
    ((), "0 mics"), ((1,), "1 mic"), ((4, 4), "4 mics"), ((2, 1), "1 or 2 mics"), ((8, 10, 9), "8 or 9 or 10 mics")])
def test_numbers_that_differ_are_told_once_each(numbers: tuple[int, ...], words: str) -> None:
    """In order; the noun goes by the last of them."""
    assert words == counted_either(numbers, "mic")
