"""Workers: pieces done by several threads come back in order, and what goes wrong in one is told."""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from oneshot.core.cache.disk import Store
from oneshot.core.cache.results import Kind, Results, recalled, using
from oneshot.core.workers import parted, spread, working


@pytest.mark.parametrize("jobs", [1, 2, 5])
def test_results_come_in_the_order_of_the_pieces(jobs: int) -> None:
    """Whoever is done first, the results stand as the pieces did."""
    with working(jobs):
        assert [n * n for n in range(20)] == spread(lambda n: n * n, range(20))


def test_each_worker_has_a_piece_where_there_are_few_items() -> None:
    """Pieces hold so many items at most, in order, of even length, and as many for each worker as there are items."""
    assert [[0, 1], [2, 3, 4]] == parted(list(range(5)), 3)
    with working(2):
        assert [[0, 1], [2, 3, 4]] == parted(list(range(5)), 64)
        assert [range(1), range(1, 3), range(3, 5), range(5, 7)] == parted(range(7), 3)
        assert [] == parted([], 3)
        assert [[1]] == parted([1], 3)


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


def test_workers_share_the_results_of_their_build(tmp_path: Path) -> None:
    """What was worked out in threads is there when it is asked for again."""
    made: list[int] = []

    def work(n: int) -> int:
        def square() -> int:
            made.append(n)
            return n * n

        return recalled(Kind("square", int), n, square)

    done = threading.Event()
    other = threading.Thread(target=done.wait)  # beside another thread there are no forks
    other.start()
    with using(Results(Store(tmp_path))), working(2):
        assert spread(work, range(6)) == spread(work, range(6))
    done.set()
    other.join()
    assert list(range(6)) == sorted(made)


FORKS = """
import os, signal, sys, threading, time
from pathlib import Path
from oneshot.core.errors import WorkError
from oneshot.core.workers import several, spread, working

def outcome(work, pieces):
    try:
        return spread(work, pieces)
    except Exception as error:
        return type(error).__name__, str(error)

def fails(n):
    if n in (3, 6):
        raise ValueError(f"piece {n}")
    return n

def ended(n):
    if os.getpid() != main:
        os.kill(os.getpid(), signal.SIGKILL)
    return slowly(n)

def slowly(each):  # so that every worker has one
    time.sleep(0.5)
    return each

def long_enough():
    time.sleep(1)

main = os.getpid()
with working(3):
    assert several()
    assert [n * n for n in range(10)] == spread(lambda n: n * n, range(10))
    assert 3 == len(set(spread(lambda n: slowly(os.getpid()), range(3))))
    assert main not in spread(lambda n: os.getpid(), range(9), meanwhile=long_enough)
    assert [[0, 1]] * 3 == spread(lambda n: spread(lambda k: k, range(2)), range(3))
    assert ("ValueError", "piece 3") == outcome(fails, range(8))
    kind, text = outcome(ended, range(2))
    assert "WorkError" == kind and "--jobs 1" in text, (kind, text)
    assert [b"x" * 3_000_000] * 4 == spread(lambda n: b"x" * 3_000_000, range(4))
    kind, text = outcome(lambda n: slowly(lambda: n), range(2))
    assert "RuntimeError" == kind, kind
    wait = threading.Event()
    other = threading.Thread(target=wait.wait)
    other.start()
    assert not several() and {os.getpid()} == set(spread(lambda n: os.getpid(), range(9)))
    wait.set()
    other.join()
try:
    os.waitpid(-1, os.WNOHANG)
    raise SystemExit("a fork was left behind")
except ChildProcessError:
    print("all well")
"""


@pytest.mark.skipif(sys.platform != "linux", reason="forks are used on Linux alone")
def test_forks_do_as_threads_do(tmp_path: Path) -> None:
    """In a program of one thread: results in order, the first error, a worker that the system ended, results of any
    size, work done by the others meanwhile; in one with other threads, threads. None is left behind.
    """
    (tmp_path / "forks.py").write_text(FORKS, encoding="utf-8")
    done = subprocess.run([sys.executable, str(tmp_path / "forks.py")], capture_output=True, text=True, check=False,
                          timeout=60)

    assert "all well" == done.stdout.strip(), done.stderr


ORPHANS = """
import os, sys, time
from oneshot.core.workers import spread, working

def work(n):
    os.write(1, f"{os.getpid()}\\n".encode())  # in one piece: two write at once
    time.sleep(60)

with working(2):
    spread(work, range(2))
"""


@pytest.mark.skipif(sys.platform != "linux", reason="forks are used on Linux alone")
def test_forks_end_with_the_process_that_made_them() -> None:
    """Killed so that it cannot clean up, it leaves nobody behind who holds its locks."""
    with subprocess.Popen([sys.executable, "-c", ORPHANS], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        workers = {int(process.stdout.readline()) for _ in range(2)}
        process.kill()
        process.wait()
        until = time.monotonic() + 5
        while time.monotonic() < until and any(_runs(each) for each in workers):
            time.sleep(0.02)

    assert 2 == len(workers)
    assert not any(_runs(each) for each in workers)


def _runs(process: int) -> bool:
    """Whether a process runs; one that has ended and waits to be taken note of does not."""
    try:
        return Path(f"/proc/{process}/stat").read_text(encoding="ascii").rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False
