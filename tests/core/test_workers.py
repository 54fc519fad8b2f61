"""Workers: pieces done by several threads come back in order, and what goes wrong in one is told."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from oneshot.core.cache.memory import Memory, recalled, remembering
from oneshot.core.workers import spread, working


@pytest.mark.parametrize("jobs", [1, 2, 5])
def test_results_come_in_the_order_of_the_pieces(jobs: int) -> None:
    """Whoever is done first, the results stand as the pieces did."""
    with working(jobs):
        assert [n * n for n in range(20)] == spread(lambda n: n * n, range(20))


def test_a_piece_is_not_divided_again() -> None:
    """What a worker spreads in its turn is done by that worker alone, and outside of a build there is one worker."""
    def threads(_: int) -> int:
        return len(set(spread(lambda _: threading.get_ident(), range(4))))

    with working(2):
        assert [1, 1, 1] == spread(threads, range(3))
    assert {threading.get_ident()} == set(spread(lambda _: threading.get_ident(), range(4)))


def test_what_goes_wrong_in_a_piece_is_raised() -> None:
    """The error of the first piece that fails comes out, with one worker as with two."""
    def work(n: int) -> int:
        if n in (3, 5):
            raise ValueError(f"piece {n}")
        return n

    for jobs in (1, 2):
        with working(jobs), pytest.raises(ValueError, match="piece 3"):
            spread(work, range(8))


def test_workers_share_the_memory_of_their_build(tmp_path: Path) -> None:
    """What one build worked out in threads, the next one finds."""
    made: list[int] = []

    def work(n: int) -> int:
        def square() -> int:
            made.append(n)
            return n * n

        return recalled("square", n, square)

    with remembering(Memory(tmp_path)), working(2):
        assert spread(work, range(6)) == spread(work, range(6))
    assert list(range(6)) == sorted(made)
