"""Arrays in files: what was written piece by piece is read piece by piece, wherever it had to go."""

from __future__ import annotations

import gc
import os
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from oneshot.core.cache import array_file
from oneshot.core.cache.array_file import ArrayFile
from oneshot.core.errors import WorkError

WHOLE: NDArray[np.float16] = np.random.default_rng(1).normal(-60, 20, (3, 5000, 10)).astype(np.float16)


def written(path: Path, step: int = 700) -> ArrayFile:
    """The same in a file, so many steps at a time."""
    out = ArrayFile.made(WHOLE.shape, WHOLE.dtype, path)
    for at in range(0, WHOLE.shape[1], step):
        out[:, at : at + step] = WHOLE[:, at : at + step]
    return out


@pytest.fixture(params=["by position", "after seeking"])
def stored(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> ArrayFile:
    """An array in a file, on a system that reads by position and on one that cannot, as Windows."""
    if request.param == "after seeking":
        monkeypatch.delattr(os, "pread", raising=False)
    return written(tmp_path / "a.part")


def test_what_is_read_is_what_an_array_would_give(stored: ArrayFile) -> None:
    """Stretches and single steps of a row, near each other and far apart, of any shape, and stretches of some rows."""
    rng = np.random.default_rng(2)
    far = np.sort(rng.integers(0, 4900, 40))[:, None] + np.arange(30)
    close = 3000 + rng.integers(0, 50, (7, 2, 4))

    assert (WHOLE.shape, WHOLE.dtype) == (stored.shape, stored.dtype)
    np.testing.assert_array_equal(WHOLE, np.asarray(stored))
    for steps in (slice(None), slice(0, 0), slice(7, 9), slice(-12, -3), slice(4990, 6000), slice(9, 7)):
        np.testing.assert_array_equal(WHOLE[1, steps], stored[1, steps])
        np.testing.assert_array_equal(WHOLE[-1][steps], stored[-1][steps])
        np.testing.assert_array_equal(WHOLE[np.array([2, 0]), steps], stored[np.array([2, 0]), steps])
    for index in (far, close, far[:0], far[5], np.array(17), np.array([4999, 0]), rng.integers(0, 5000, 300)):
        np.testing.assert_array_equal(WHOLE[2][index], stored[2][index])
        assert WHOLE[2][index].dtype == stored[2][index].dtype
    assert (5000, 10) == stored[0].shape == np.asarray(stored[0]).shape
    assert (0, 4, 10) == stored[np.zeros(0, np.int64), 3:7].shape


def test_steps_far_apart_are_not_read_with_all_between(stored: ArrayFile, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two windows an hour apart cost two windows: no read is longer than the span."""
    monkeypatch.setattr(array_file, "SPAN_BYTES", 2000)  # a hundred steps
    lengths = []
    read = ArrayFile.read

    def noting(self: ArrayFile, row: int, first: int, last: int) -> NDArray[Any]:
        lengths.append(last - first)
        return read(self, row, first, last)

    monkeypatch.setattr(ArrayFile, "read", noting)
    stored[0][np.array([[10], [50], [4000], [4030]]) + np.arange(20)]

    assert [60, 50] == lengths


@pytest.mark.parametrize("index", [[-1], [5000], [[3, 4], [5, 9999]]])
def test_steps_that_there_are_not_are_no_steps(stored: ArrayFile, index: list[Any]) -> None:
    """A step before the first or after the last is a mistake of whoever asks, never another row's."""
    with pytest.raises(IndexError):
        stored[1][np.array(index)]
    with pytest.raises(IndexError):
        stored[3]
    with pytest.raises(ValueError, match="stride"):
        stored[0, ::2]


def test_a_piece_must_fit(stored: ArrayFile) -> None:
    """A piece of another length than the stretch it is put to would run into the next row."""
    with pytest.raises(ValueError, match="cannot be put there"):
        stored[:, 4990:5010] = WHOLE[:, :20]


@pytest.mark.parametrize("renames", [True, False])
def test_the_file_is_one_of_numpys(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, renames: bool) -> None:
    """Settled, it is what ``np.save`` writes, to the byte, and what was opened reads the same; on a system that renames
    no open file, too.
    """
    monkeypatch.setattr(array_file, "RENAMES_OPEN_FILES", renames and array_file.RENAMES_OPEN_FILES)
    made = written(tmp_path / "a.part")
    made.settled(tmp_path / "a.npy")
    np.save(tmp_path / "b.npy", WHOLE)

    np.testing.assert_array_equal(WHOLE, np.asarray(made))
    assert (tmp_path / "b.npy").read_bytes() == (tmp_path / "a.npy").read_bytes()
    np.testing.assert_array_equal(WHOLE, np.asarray(ArrayFile.opened(tmp_path / "b.npy")))
    assert ["a.npy", "b.npy"] == sorted(path.name for path in tmp_path.iterdir())


@pytest.mark.parametrize("array", [np.zeros(4), np.asfortranarray(WHOLE[0]), np.array([[{}]], dtype=object)])
def test_what_is_no_array_of_rows_is_not_opened(tmp_path: Path, array: NDArray[Any]) -> None:
    """One axis, another order of axes, objects, a file that was cut short or is no array."""
    np.save(tmp_path / "a.npy", array, allow_pickle=True)
    np.save(tmp_path / "b.npy", WHOLE)
    (tmp_path / "b.npy").write_bytes((tmp_path / "b.npy").read_bytes()[:-1])

    for name in ("a.npy", "b.npy"):
        with pytest.raises(ValueError, match=name):
            ArrayFile.opened(tmp_path / name)


# ------------------------------------------------------------------------------------------------------ places and ends


def test_what_is_not_settled_leaves_nothing(tmp_path: Path) -> None:
    """A build that stops on its way takes the file along; one that was settled stays."""
    gone, kept = written(tmp_path / "gone.part"), written(tmp_path / "kept.part")
    kept.settled(tmp_path / "kept.npy")
    del gone, kept
    gc.collect()

    assert ["kept.npy"] == [path.name for path in tmp_path.iterdir()]


@pytest.mark.skipif(sys.platform == "win32", reason="a file that is open cannot be removed there")
def test_what_somebody_removes_can_be_read_on(tmp_path: Path) -> None:
    """A store that is emptied while a build reads from it stops nothing."""
    for settled in (False, True):
        made = written(tmp_path / f"{settled}.part")
        if settled:
            made.settled(tmp_path / "a.npy")
        for path in tmp_path.iterdir():
            path.unlink()

        np.testing.assert_array_equal(WHOLE, np.asarray(made))


@pytest.mark.parametrize("renames", [True, False])
def test_what_cannot_be_settled_can_be_read_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, renames: bool) -> None:
    """Where the last step is refused the error comes out, and the numbers are still there."""
    monkeypatch.setattr(array_file, "RENAMES_OPEN_FILES", renames and array_file.RENAMES_OPEN_FILES)
    made = written(tmp_path / "a.part")
    with pytest.raises(OSError, match="nowhere"):
        made.settled(tmp_path / "nowhere" / "a.npy")

    np.testing.assert_array_equal(WHOLE, np.asarray(made))


def test_where_the_folder_cannot_be_written_it_is_a_temporary_file(tmp_path: Path) -> None:
    """All is there, and settling says that it is not where it should be."""
    made = written(tmp_path / "nowhere" / "a.part")

    np.testing.assert_array_equal(WHOLE, np.asarray(made))
    with pytest.raises(OSError, match="did not fit"):
        made.settled(tmp_path / "a.npy")
    assert [] == list(tmp_path.iterdir())


@pytest.mark.skipif(sys.platform == "win32", reason="limits of processes are other systems'")
@pytest.mark.parametrize("bytes_there", [100, 150_000, 299_000])
def test_a_disk_that_fills_up_loses_nothing(tmp_path: Path, bytes_there: int) -> None:
    """Full in the head, in the middle or near the end, the temporary file no better: memory takes all that was written
    before and comes after.
    """
    import resource

    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (bytes_there, before[1]))
    try:
        made = written(tmp_path / "a.part", step=900)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)

    np.testing.assert_array_equal(WHOLE, np.asarray(made))
    with pytest.raises(OSError, match="did not fit"):
        made.settled(tmp_path / "a.npy")
    assert [] == list(tmp_path.iterdir())


def test_a_file_that_was_cut_short_is_one_clear_line(tmp_path: Path) -> None:
    """Somebody wrote over it: the error says what to do."""
    made = written(tmp_path / "a.part")
    os.truncate(tmp_path / "a.part", 5000)

    with pytest.raises(WorkError, match="cut short on the disk that holds the cache: build with --fresh"):
        made[2, 0:100]
