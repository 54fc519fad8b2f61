"""Records as columns: every field has its place, and nothing but plain Python values comes out."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from stage_inputs import Pier

from oneshot.core.columns import columns
from oneshot.core.records.hits import Articulation, Drum, Hit, Ornament, Partner
from oneshot.core.records.kit import Print, PrintMic
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Mic, Source
from oneshot.kit.read import read_kit

KICK = Hit(1, "one", 100, {"Kick": 100, "OH": None}, "kick", "hit", 0.9, None, {"Kick": -40.0}, True, ("Kick",))


def test_one_value_per_record_in_the_order_of_the_fields() -> None:
    """Columns are as long as there are records, and stand as the record has its fields."""
    table = columns([Articulation("hit", 36), Articulation("rim", 40, 41)])

    assert list(table.items()) == [("name", ["hit", "rim"]), ("key", [36, 40]), ("second_key", [None, 41])]


def test_a_mapping_has_a_column_per_key() -> None:
    """None where a record has no such key, as a mic that only one of the takes has."""
    other = replace(KICK, id=2, take="two", onsets={"Kick": 5, "Room": 7}, bleed_db={})
    table = columns([KICK, other])

    assert table["onsets.Kick"] == [100, 5]
    assert table["onsets.OH"] == [None, None]
    assert table["onsets.Room"] == [None, 7]
    assert table["bleed_db.Kick"] == [-40.0, None]
    assert "onsets" not in table
    assert [name for name in table if name.startswith("clean_s")] == []


def test_a_nested_record_has_its_columns_even_where_there_is_none() -> None:
    """A table has the same columns whether or not a flam was played."""
    flam = replace(KICK, ornament=Ornament("flam", 4))

    assert {name: cells for name, cells in columns([KICK]).items() if name.startswith("ornament")} == {
        "ornament.kind": [None], "ornament.id": [None]}
    assert columns([KICK, flam])["ornament.kind"] == [None, "flam"]
    assert columns([flam]).keys() == columns([KICK]).keys()


def test_records_by_mic_are_spread_down_to_their_fields() -> None:
    """What a print makes of each mic."""
    made = Print("kick", 1, "kick", "hit", 1, 1, (1, 127), {"Kick": PrintMic(-3.0, 12, -1)}, "prints/a.wav", 10, 0, 0,
                 1, None, None, None, "")
    table = columns([made])

    assert {name: cells for name, cells in table.items() if name.startswith("mics")} == {
        "mics.Kick.gain_db": [-3.0], "mics.Kick.delay_frames": [12], "mics.Kick.polarity": [-1]}


def test_what_holds_several_things_stays_a_list() -> None:
    """Of plain values, or of dicts where it held records."""
    together = replace(KICK, partners=(Partner("hat", -30.0), Partner("ride", None)))

    assert columns([together])["usable"] == [["Kick"]]
    assert columns([together])["partners"] == [[{"drum": "hat", "level_db": -30.0}, {"drum": "ride", "level_db": None}]]
    assert columns([Mic("OH", Role.OVERHEAD, sources=(Source("OH.wav", 0, 0, 9),))])["sources"] == [
        [{"path": "OH.wav", "channel": 0, "at": 0, "frames": 9}]]


def test_values_are_pythons_own() -> None:
    """A role is its text, a path its text, and a NumPy scalar a float."""
    @dataclass(frozen=True)
    class Measured:
        """What a stage may leave in a record."""

        role: Role
        path: Path
        delay_ms: float

    table = columns([Measured(Role.CLOSE, Path("a"), np.float64(1.5))])

    assert {name: (type(cells[0]), cells[0]) for name, cells in table.items()} == {
        "role": (str, "close"), "path": (str, "a"), "delay_ms": (float, 1.5)}


def test_no_records_have_no_columns() -> None:
    """A kit without prints has no table of prints."""
    assert columns(()) == {}


@pytest.mark.parametrize(("given", "fault"), [
    ([KICK, Articulation("hit", 36)], "of one kind: found Articulation beside Hit"),
    (["kick"], "made of records, such as kit.hits: str is none"),
    ([KICK, None], "NoneType is none"),
])
def test_anything_but_records_of_one_kind_is_refused(given: list[Any], fault: str) -> None:
    """The message names what was found."""
    with pytest.raises(TypeError, match=fault):
        columns(given)


def test_a_kit_just_built_and_one_read_have_the_same_columns(pier: Pier) -> None:
    """Hits, one-shots, files, drums and takes: the same names, the same number of rows, values that JSON takes."""
    for kit in (pier.kit, read_kit(pier.folder)):
        tables = [columns(kit.hits), columns(kit.one_shots), columns(kit.drums), columns(kit.session.takes),
                  columns(file for shot in kit.one_shots for file in shot.files)]
        assert [len(table["drum"]) for table in tables[:2]] == [len(kit.hits), len(kit.one_shots)]
        assert all(len({len(cells) for cells in table.values()}) == 1 for table in tables)
        assert json.loads(json.dumps(tables, allow_nan=False)) == tables
    assert columns(pier.kit.hits).keys() == columns(read_kit(pier.folder).hits).keys()
    assert columns([Drum("kick", "kick", "Kick", ())])["articulations"] == [[]]
