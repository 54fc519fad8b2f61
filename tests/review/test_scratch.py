"""Folders that the review throws away: gone when it ends, and when it was killed, gone with the next one."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from review_desk import own_copy, running

from oneshot.core.cache.disk import cache_folder
from oneshot.core.user_state import remember, session_of
from oneshot.review.scratch import KIT, passing_folder, sweep

if TYPE_CHECKING:
    from stage_inputs import Pier

HOLDING = """
import time
from oneshot.review.scratch import passing_folder
with passing_folder() as folder:
    (folder / "kit").mkdir()
    print(folder, flush=True)
    time.sleep(600)
"""


def left() -> list[str]:
    """What lies where passing folders do."""
    place = cache_folder() / "passing"
    return sorted(path.name for path in place.iterdir()) if place.is_dir() else []


def until(there: Callable[[], bool]) -> None:
    """Wait for something, a minute at most."""
    for _ in range(1200):
        if there():
            return
        time.sleep(0.05)
    raise AssertionError(left())


def test_a_passing_folder_leaves_nothing() -> None:
    """Empty when it is given, gone with all that was put into it, also where the work in it failed."""
    with passing_folder() as folder:
        assert [] == list(folder.iterdir())
        (folder / "deep").mkdir()
        (folder / "deep" / "file").write_text("x", encoding="utf-8")
    assert [] == left()

    with pytest.raises(InterruptedError, match="stop"), passing_folder():
        raise InterruptedError("stop")
    assert [] == left()


def test_what_a_killed_process_left_goes_and_what_a_living_one_has_stays() -> None:
    """Two processes with a folder each: one is killed, and only its folder, with the note of its kit, is swept away."""
    with subprocess.Popen([sys.executable, "-c", HOLDING], stdout=subprocess.PIPE, text=True) as dead, \
            subprocess.Popen([sys.executable, "-c", HOLDING], stdout=subprocess.PIPE, text=True) as alive:
        try:
            assert dead.stdout is not None
            assert alive.stdout is not None
            old, new = Path(dead.stdout.readline().strip()), Path(alive.stdout.readline().strip())
            remember(old / KIT, Path.cwd())
            dead.kill()
            assert -signal.SIGKILL == dead.wait(30)
            with passing_folder() as third:
                assert third.is_dir()
            sweep()

            assert not old.exists()
            assert session_of(old / KIT) is None
            assert (new / KIT).is_dir()
        finally:
            alive.terminate()
    sweep()
    assert [] == left()


@pytest.mark.full
def test_the_next_review_clears_what_a_killed_one_left(pier: Pier, tmp_path: Path) -> None:
    """A server is killed while it works ahead; the next one, of whatever kit, removes its folder."""
    with running(own_copy(pier, tmp_path / "one"), pier.session) as (_, process):
        until(lambda: len(left()) == 2)
        process.kill()
        process.wait(30)
    old = left()
    assert 2 == len(old)

    with running(own_copy(pier, tmp_path / "two"), pier.session):
        until(lambda: not set(old) & set(left()))
