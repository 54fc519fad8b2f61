"""Store: what was stored comes back exactly, or not at all."""

from __future__ import annotations

import json
import math
import os
import random
import shutil
import subprocess
import sys
import time
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from oneshot.core.cache import keys
from oneshot.core.cache.array_file import ArrayFile
from oneshot.core.cache.disk import Store, cache_folder, open_store, prune
from oneshot.core.errors import SettingsError
from oneshot.core.files import write_atomic
from oneshot.core.records.roles import Role

PARAMS: dict[str, Any] = {"stage": 1, "take": "take 1", "bands_hz": (0.0, 140.5), "sources": [["a.wav", 0, 0, 9]]}
PARTS = [("take 1/a.wav", 100, 7, "aa"), ("take 1/b.wav", 200, 8, "bb")]


@dataclass(frozen=True, slots=True)
class Tree:
    """Records of all the kinds that are stored."""

    many: Mapping[int, Mapping[str, int | None]]
    some: frozenset[int]
    roles: tuple[Role, ...]
    gain: tuple[float, ...] = ()
    inner: Tree | None = None


TREE = Tree({-3: {"Kick In": None, "ß": 2**40}, 4: {}}, frozenset({9, 1}), (Role.CLOSE,), (0.1, 2.0),
            Tree({}, frozenset(), ()))


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


def test_records_come_back_as_they_were(filled: Store) -> None:
    """Keys that are numbers, sets, tuples, what is not known, and every float to the last bit, also those that JSON has
    no word for.
    """
    filled.save_record("found", PARAMS, TREE)
    found = filled.load_record("found", PARAMS, Tree)

    assert TREE == found
    odd = replace(TREE, gain=(math.inf, -math.inf, -0.0, 5e-324, 0.1 + 0.2, np.float64(1 / 3)))
    filled.save_record("found", PARAMS, odd)
    found = filled.load_record("found", PARAMS, Tree)
    assert found is not None
    assert [value.hex() for value in odd.gain] == [value.hex() for value in found.gain]
    filled.save_record("found", PARAMS, replace(TREE, gain=(math.nan,)))
    found = filled.load_record("found", PARAMS, Tree)
    assert found is not None
    assert math.isnan(found.gain[0])


def test_what_is_no_plain_value_is_not_stored(filled: Store) -> None:
    """An object inside a record is a mistake of whoever stores it, and is told at once."""
    with pytest.raises(TypeError, match="cannot be stored"):
        filled.save_record("found", PARAMS, replace(TREE, many={1: object()}))  # type: ignore[dict-item]


def test_records_of_another_type_are_stale(filled: Store) -> None:
    """A tree that does not fit the type asked for is not used."""
    filled.save_record("found", PARAMS, replace(TREE, roles=("nobody",)))  # type: ignore[arg-type]

    assert filled.load_record("found", PARAMS, Tree) is None
    assert ["found"] == filled.stale


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


@pytest.mark.parametrize("name", ["code_digest", "versions"])
def test_what_another_program_stored_is_stale(filled: Store, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Arrays go by the package's code and its libraries' versions, too."""
    monkeypatch.setattr(keys, name, lambda: "another")

    assert filled.load("scan-1", PARAMS) is None
    assert ["scan-1"] == filled.stale


def test_another_version_of_the_layout_is_stale(filled: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """What an older or newer program stored in its own way is not read."""
    monkeypatch.setattr(keys, "LAYOUT", keys.LAYOUT + 1)

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
    for damage in ({k: v for k, v in record.items() if k != "sums"}, {**record, "sums": [1]},
                   {**record, "sums": {"a": 7}}):
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


@pytest.mark.parametrize("file", ["scan-1.json", "scan-1.level_db.npy", "scan-1.valid.npy", "found.record.npy"])
def test_whatever_happens_to_a_file_it_is_stale_and_no_error(filled: Store, file: str) -> None:
    """Cut off anywhere, written over anywhere, with bytes put in: nothing is read, no exception and no warning."""
    filled.save_record("found", PARAMS, TREE)
    path, rng = filled.folder / file, random.Random(5)
    whole = path.read_bytes()
    for _ in range(150):
        harmed = bytearray(whole)
        at = rng.randrange(len(whole))
        harmed[at : at + rng.randrange(3)] = rng.randbytes(rng.randrange(4))
        path.write_bytes(harmed if rng.random() < 0.7 else harmed[:at])
        store = Store(filled.folder)
        found = (store.load("scan-1", PARAMS), store.load_record("found", PARAMS, Tree))

        if path.read_bytes() == whole or (file.endswith("json") and not store.stale):
            assert_same(found[0])  # what was put in was what stood there, or a letter between two values
            assert TREE == found[1]
        else:
            assert [file.partition(".")[0]] == store.stale


@pytest.mark.parametrize("text", [b"", b"\x93NUMPY", b"\x93NUMPY\x01\x00\x0a\x00{'descr': [", b"PK\x03\x04"])
def test_a_file_with_the_right_sum_that_is_no_array_is_no_result(filled: Store, text: bytes) -> None:
    """Written by another program, record and all: what cannot be read as an array is stale."""
    (filled.folder / "scan-1.valid.npy").write_bytes(text)
    record = json.loads((filled.folder / "scan-1.json").read_bytes())
    record["sums"]["valid"] = zlib.crc32(text)
    (filled.folder / "scan-1.json").write_text(json.dumps(record), encoding="utf-8")

    assert filled.load("scan-1", PARAMS) is None
    assert ["scan-1"] == filled.stale


def test_a_nested_record_without_end_is_no_result(filled: Store) -> None:
    """Brackets by the ten thousand stop nothing."""
    for text in ("[" * 50_000, '{"key":' * 50_000):
        (filled.folder / "scan-1.json").write_text(text, encoding="utf-8")

        assert filled.load("scan-1", PARAMS) is None


def test_no_code_is_run_from_a_stored_file(filled: Store) -> None:
    """An array of Python objects, which only unpickling could read, is refused in reading and in writing."""
    np.save(filled.folder / "scan-1.valid.npy", np.array([{}], dtype=object), allow_pickle=True)

    assert filled.load("scan-1", PARAMS) is None
    with pytest.raises(ValueError, match="objects cannot be stored"):
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
    monkeypatch.setattr("oneshot.core.cache.disk.write_atomic", stopping)
    with pytest.raises(KeyboardInterrupt):
        filled.save("scan-1", {"stage": 2}, new)
    monkeypatch.undo()
    old = filled.load("scan-1", PARAMS)

    assert filled.load("scan-1", {"stage": 2}) is None
    if old is not None:
        assert_same(old)


def test_a_cache_that_cannot_be_written_stops_nothing(tmp_path: Path) -> None:
    """Where the disk refuses, the result is not stored, and what was stored before is gone or whole."""
    (tmp_path / "file").write_text("no folder", encoding="utf-8")
    locked = Store(tmp_path / "file" / "store")
    locked.save("scan-1", PARAMS, arrays())

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


def test_what_cannot_be_removed_is_forgotten_all_the_same(filled: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the disk refuses to remove what is stored, it is not used; what is stored from then on is."""
    monkeypatch.setattr("oneshot.core.cache.disk.shutil.rmtree", lambda *_, **__: None)
    filled.save("scan-2", PARAMS, arrays())
    filled.clear()
    filled.save("scan-2", PARAMS, arrays())

    assert filled.load("scan-1", PARAMS) is None
    assert_same(filled.load("scan-2", PARAMS))
    assert [] == filled.stale


def test_the_cache_has_a_size_and_the_oldest_go_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Folders that were not opened for longest go until the rest fit; none that was opened within the hour, nothing
    that is no folder of a store, and the one at hand never.
    """
    monkeypatch.setenv("ONESHOT_CACHE", str(tmp_path))
    (tmp_path / "holiday pictures").mkdir()
    (tmp_path / "holiday pictures" / "a").write_bytes(b"x" * 10_000)
    old = []
    for days in (5, 3, 1, 0):
        store = open_store([(f"{days}.wav", 1, 1, "x")])
        store.save("scan", {}, {"x": np.zeros(1000)})
        at = time.time() - days * 86_400 - 60
        os.utime(store.folder, (at, at))
        old.append(store.folder)

    assert [] == prune(tmp_path, 1e6)
    assert old[:1] == prune(tmp_path, 26_000)
    assert old[1:3] == prune(tmp_path, 0)
    assert [False, False, False, True] == [path.exists() for path in old]
    assert (tmp_path / "holiday pictures" / "a").exists()
    monkeypatch.setenv("ONESHOT_CACHE_GB", "0")
    assert open_store(PARTS).folder.exists()
    monkeypatch.setenv("ONESHOT_CACHE_GB", "plenty")
    with pytest.raises(SettingsError, match="ONESHOT_CACHE_GB is 'plenty'"):
        open_store(PARTS)


def test_a_store_that_another_build_removed_is_made_anew(filled: Store) -> None:
    """Arrays in use stay readable, what is asked for next is not there, and saving makes the folder again."""
    held = filled.load("scan-1", PARAMS)
    assert held is not None
    before = {name: np.array(array) for name, array in held.items()}
    shutil.rmtree(filled.folder)

    assert all(np.array_equal(before[name], held[name], equal_nan=True) for name in before)
    assert filled.load("scan-1", PARAMS) is None
    filled.save("scan-1", PARAMS, before)
    assert filled.load("scan-1", PARAMS) is not None


@pytest.mark.parametrize("array", [
    np.arange(12, dtype=np.float16).reshape(3, 4), np.arange(12).reshape(3, 4).T, np.zeros((0, 3)), np.array(5.0),
    np.array([True, False]), np.arange(20, dtype=np.int32)[::2]])
def test_arrays_are_written_as_numpy_writes_them(array: NDArray[Any], tmp_path: Path) -> None:
    """To the byte, whatever their layout, apart from columns first, which become rows first; nothing is copied for
    that.
    """
    Store(tmp_path).save("a", {}, {"x": array})
    np.save(tmp_path / "plain.npy", np.asarray(array, order="C"))

    assert (tmp_path / "plain.npy").read_bytes() == (tmp_path / "a.x.npy").read_bytes()


# ---------------------------------------------------------------------------------------------- arrays as long as takes


def made_in(store: Store) -> ArrayFile:
    """The levels of ``arrays``, written piece by piece."""
    levels = arrays()["level_db"]
    out = store.made("scan-1", "level_db", levels.shape, levels.dtype)
    for at in range(0, 50, 20):
        out[:, at : at + 20] = levels[:, at : at + 20]
    return out


def test_an_array_in_pieces_is_stored_as_any(tmp_path: Path) -> None:
    """Written piece by piece it has the same bytes and sums, and is read in pieces or as a whole; so is any other."""
    one, two = Store(tmp_path / "one"), Store(tmp_path / "two")
    one.save("scan-1", PARAMS, {**arrays(), "level_db": made_in(one)})
    two.save("scan-1", PARAMS, arrays())

    for path in (tmp_path / "two").iterdir():
        assert path.read_bytes() == (tmp_path / "one" / path.name).read_bytes()
    assert len(list((tmp_path / "one").iterdir())) == len(list((tmp_path / "two").iterdir()))
    for store in (one, two):
        assert_same(store.load("scan-1", PARAMS))
        found = store.load("scan-1", PARAMS, in_pieces=("level_db", "draw"))
        assert found is not None
        assert [True, True] == [isinstance(found[key], ArrayFile) for key in ("level_db", "draw")]
        assert_same({key: np.asarray(each) for key, each in found.items()})


def test_an_array_in_pieces_that_is_not_as_it_was_is_stale(filled: Store) -> None:
    """One byte written over is found before anything is read."""
    path = filled.folder / "scan-1.level_db.npy"
    whole = bytearray(path.read_bytes())
    whole[-1] ^= 1
    path.write_bytes(whole)

    assert filled.load("scan-1", PARAMS, in_pieces=("level_db",)) is None
    assert ["scan-1"] == filled.stale


def test_an_array_in_pieces_needs_no_store(tmp_path: Path) -> None:
    """Where the folder cannot be written a temporary file serves."""
    (tmp_path / "file").write_text("no folder", encoding="utf-8")
    locked = Store(tmp_path / "file" / "store")
    levels = made_in(locked)
    locked.save("scan-1", PARAMS, {"level_db": levels})

    np.testing.assert_array_equal(arrays()["level_db"], np.asarray(levels))
    assert locked.load("scan-1", PARAMS) is None


def test_what_ended_builds_left_goes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A killed build's half-written files are removed by the next one of any session; those of one that runs stay, and
    so do those of another machine that shares the folder: they were written to within the hour.
    """
    monkeypatch.setenv("ONESHOT_CACHE", str(tmp_path))
    with subprocess.Popen([sys.executable, "-c", ""]) as ended:
        pass
    made = made_in(open_store(PARTS))
    (mine,) = open_store(PARTS).folder.glob(".*.part")
    theirs = mine.with_name(f".scan-2.draw.npy.1.{ended.pid}.part")
    elsewhere = mine.with_name(f".scan-3.draw.npy.1.{ended.pid}.part")
    stranger = tmp_path / "of somebody else" / f".a.{ended.pid}.part"
    stranger.parent.mkdir()
    for path, hours in ((theirs, 2), (elsewhere, 0), (stranger, 2)):
        path.touch()
        os.utime(path, (time.time() - 3600 * hours,) * 2)
    open_store(PARTS[:1])

    assert not theirs.exists()
    assert mine.exists()
    assert elsewhere.exists()
    assert stranger.exists()
    assert (2, 50, 3) == made.shape
