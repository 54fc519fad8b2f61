"""Store: what was stored comes back exactly, or not at all."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from oneshot.core import store
from oneshot.core.files import write_atomic
from oneshot.core.store import Store, cache_folder, open_store

PARAMS: dict[str, Any] = {"stage": 1, "take": "take 1", "bands_hz": (0.0, 140.5), "sources": [["a.wav", 0, 0, 9]]}
PARTS = [("take 1/a.wav", 100, 7, "aa"), ("take 1/b.wav", 200, 8, "bb")]


def arrays() -> dict[str, NDArray[Any]]:
    """Arrays of the kinds that are stored."""
    rng = np.random.default_rng(1)
    return {"level_db": rng.normal(-60, 9, (2, 50, 3)).astype(np.float16), "noise_db": rng.normal(size=(2, 3)),
            "draw": rng.normal(size=(2, 5, 2)).astype(np.float32), "frame": np.array([-1, 2**40]),
            "valid": np.array([True, False])}


@pytest.fixture
def filled(tmp_path: Path) -> Store:
    """A store with one result."""
    made = Store(tmp_path / "store")
    made.save("scan-1", PARAMS, arrays())
    return made


def assert_same(found: dict[str, NDArray[Any]] | None) -> None:
    """Every array came back as it was, type included."""
    assert found is not None
    assert set(arrays()) == set(found)
    for name, array in arrays().items():
        assert array.dtype == found[name].dtype
        np.testing.assert_array_equal(array, found[name])


# ------------------------------------------------------------------------------------------------------ back as it was


def test_a_result_comes_back_exactly(filled: Store) -> None:
    """Arrays of every type come back bit for bit, also through another store object on the folder."""
    assert_same(filled.load("scan-1", PARAMS))
    assert_same(Store(filled.folder).load("scan-1", dict(PARAMS)))
    assert [] == filled.stale


def test_what_was_never_stored_is_not_there(tmp_path: Path, filled: Store) -> None:
    """An unknown name, or a folder that does not exist, gives nothing and is not called stale."""
    assert filled.load("scan-2", PARAMS) is None
    assert Store(tmp_path / "nowhere").load("scan-1", PARAMS) is None
    assert [] == filled.stale


def test_a_result_is_replaced_whole(filled: Store) -> None:
    """Storing under the same name again leaves the new arrays and parameters, and nothing of the old ones."""
    filled.save("scan-1", {"stage": 2}, {"other": np.arange(3)})

    found = filled.load("scan-1", {"stage": 2})
    assert found is not None
    assert ["other"] == list(found)
    assert filled.load("scan-1", PARAMS) is None


def test_empty_arrays_are_stored(tmp_path: Path) -> None:
    """A take without hits has arrays of no rows; they come back as such."""
    empty = Store(tmp_path)
    empty.save("hits", {}, {"frame": np.zeros((0, 4), np.int64)})

    found = empty.load("hits", {})
    assert found is not None
    assert (0, 4) == found["frame"].shape


# ---------------------------------------------------------------------------------------------------------------- stale


@pytest.mark.parametrize("change", [{"stage": 2}, {"take": "take 2"}, {"bands_hz": (0.0, 140.6)}, {"more": None},
                                    {"sources": [["a.wav", 0, 0, 10]]}])
def test_other_parameters_make_it_stale(filled: Store, change: dict[str, Any]) -> None:
    """A result made with other parameters is not used, and is told once asked for."""
    assert filled.load("scan-1", {**PARAMS, **change}) is None
    assert ["scan-1"] == filled.stale


def test_a_missing_parameter_makes_it_stale(filled: Store) -> None:
    """A stage that knows fewer parameters is another stage."""
    assert filled.load("scan-1", {"stage": 1}) is None


def test_another_version_of_the_layout_is_stale(filled: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """What an older or newer program stored in its own way is not read."""
    monkeypatch.setattr(store, "VERSION", store.VERSION + 1)

    assert filled.load("scan-1", PARAMS) is None
    assert ["scan-1"] == filled.stale


# -------------------------------------------------------------------------------------------------------------- damaged


@pytest.mark.parametrize("text", ["", "{", "[]", "3", '"text"', "{}", '{"version": 1}', "\x00\xff"])
def test_a_damaged_record_is_no_result(filled: Store, text: str) -> None:
    """A record that is no JSON, or JSON of another shape, gives nothing: the stage is run again."""
    (filled.folder / "scan-1.json").write_text(text, encoding="latin-1")

    assert filled.load("scan-1", PARAMS) is None


def test_a_record_without_its_list_of_arrays_is_no_result(filled: Store) -> None:
    """A record that lost its arrays' names gives nothing."""
    path = filled.folder / "scan-1.json"
    record = json.loads(path.read_text(encoding="utf-8"))
    for damage in ({k: v for k, v in record.items() if k != "arrays"}, {**record, "arrays": [1]},
                   {**record, "arrays": {"a": 7}}):
        path.write_text(json.dumps(damage), encoding="utf-8")

        assert filled.load("scan-1", PARAMS) is None


@pytest.mark.parametrize("name", ["level_db", "valid"])
@pytest.mark.parametrize("damage", ["gone", "empty", "cut short", "another thing"])
def test_a_damaged_array_is_no_result(filled: Store, name: str, damage: str) -> None:
    """An array's file that is gone, empty, cut short or no array gives nothing and counts as stale."""
    path = filled.folder / f"scan-1.{name}.npy"
    whole = path.read_bytes()
    path.unlink()
    if damage != "gone":
        path.write_bytes({"empty": b"", "cut short": whole[:-1], "another thing": b"RIFF" + whole}[damage])

    assert filled.load("scan-1", PARAMS) is None
    assert ["scan-1"] == filled.stale


def test_no_code_is_run_from_a_stored_file(filled: Store) -> None:
    """An array of Python objects, which only unpickling could read, is refused in reading and in writing."""
    np.save(filled.folder / "scan-1.valid.npy", np.array([{}], dtype=object), allow_pickle=True)

    assert filled.load("scan-1", PARAMS) is None
    with pytest.raises(ValueError, match="allow_pickle"):
        filled.save("other", {}, {"a": np.array([{}], dtype=object)})


@pytest.mark.parametrize("stop_at", range(3))
def test_a_save_that_is_cut_off_is_no_result(filled: Store, monkeypatch: pytest.MonkeyPatch, stop_at: int) -> None:
    """Cut off while a result is replaced, the store never hands out new arrays under the old parameters."""
    written: list[Path] = []

    def stopping(path: Path, content: bytes | str) -> None:
        if len(written) == stop_at:
            raise KeyboardInterrupt
        written.append(path)
        write_atomic(path, content)

    new = {"noise_db": np.zeros((2, 3)), "frame": np.array([5, 6])}
    monkeypatch.setattr("oneshot.core.store.write_atomic", stopping)
    with pytest.raises(KeyboardInterrupt):
        filled.save("scan-1", {"stage": 2}, new)
    monkeypatch.undo()
    old = filled.load("scan-1", PARAMS)

    assert filled.load("scan-1", {"stage": 2}) is None
    if old is not None:
        assert_same(old)


def test_a_cache_that_cannot_be_written_stops_nothing(tmp_path: Path) -> None:
    """Where the disk refuses, the result is not stored, that is noted, and what was stored before is gone or whole."""
    (tmp_path / "file").write_text("no folder", encoding="utf-8")
    locked = Store(tmp_path / "file" / "store")
    locked.save("scan-1", PARAMS, arrays())

    assert ["scan-1"] == locked.unsaved
    assert locked.load("scan-1", PARAMS) is None


# --------------------------------------------------------------------------------------------------------------- places


def test_each_session_has_a_place_of_its_own() -> None:
    """A file that is renamed, grew, is newer or holds other audio makes another session; the order of files does
    not.
    """
    folders = {open_store(PARTS).folder}
    for change in (("take 1/c.wav", 100, 7, "aa"), ("take 1/a.wav", 101, 7, "aa"), ("take 1/a.wav", 100, 8, "aa"),
                   ("take 1/a.wav", 100, 7, "ab")):
        folders.add(open_store([change, PARTS[1]]).folder)
    folders.add(open_store(PARTS[:1]).folder)

    assert 6 == len(folders)
    assert open_store(PARTS).folder == open_store(PARTS[::-1]).folder


def test_the_place_can_be_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """ONESHOT_CACHE names the folder; without it the user's cache folder is used."""
    usual = cache_folder()
    monkeypatch.setenv("ONESHOT_CACHE", str(tmp_path / "mine"))

    assert "oneshot" in usual.name
    assert tmp_path / "mine" == cache_folder()
    assert tmp_path / "mine" == open_store(PARTS).folder.parent


def test_forgetting_leaves_nothing(filled: Store) -> None:
    """After clearing nothing is stored; clearing what does not exist does no harm."""
    filled.clear()
    filled.clear()

    assert filled.load("scan-1", PARAMS) is None
    assert not filled.folder.exists()
