"""The clock of a take, as the recorder's stamps say."""

from __future__ import annotations

from pathlib import Path

import pytest
from short_sessions import session_of, sound

from oneshot.cutting.file_tags import LATEST, origins
from oneshot.session.open import open_session


@pytest.mark.parametrize(("stamp", "origin"), [(48_000, 48_000), (LATEST - 1, LATEST - 1), (LATEST, 0), (2**64 - 1, 0)])
def test_a_stamp_that_is_no_time_of_day_is_none(tmp_path: Path, stamp: int, origin: int) -> None:
    """The largest that a file can say would leave no room for a hit after it."""
    session_of(tmp_path / "take", "Kick", "Snare")
    for name in ("Kick", "Snare"):
        sound(tmp_path / "take" / f"{name}.wav", stamp=stamp)

    assert {"take": origin} == origins(open_session(tmp_path / "take"))
