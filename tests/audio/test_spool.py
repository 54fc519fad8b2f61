"""Sound kept on the disk while it is worked on."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from oneshot.audio.spool import Spool


def test_sound_comes_back_as_it_went(tmp_path: Path) -> None:
    """Every bit of it, by any window; silence before and after."""
    x = np.random.default_rng(1).standard_normal((2, 1000))
    with Spool(2, tmp_path) as spool:
        spool.take(x[:, at:at + 300] for at in range(0, 1000, 300))

        assert 1000 == spool.frames
        np.testing.assert_array_equal(x, spool.read(0, 1000))
        np.testing.assert_array_equal(x[:, 299:302], spool.read(299, 302))
        np.testing.assert_array_equal(np.pad(x, ((0, 0), (5, 7))), spool.read(-5, 1007))
        assert (2, 10) == spool.read(2000, 2010).shape
        assert not spool.read(2000, 2010).any()


def test_nothing_of_it_is_seen(tmp_path: Path) -> None:
    """No name in the folder, while it is there and after."""
    with Spool(1, tmp_path) as spool:
        spool.take([np.ones((1, 100))])
        assert [] == list(tmp_path.iterdir())
    assert [] == list(tmp_path.iterdir())
