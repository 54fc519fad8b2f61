"""mappings/kit.mid, keys.csv and each take as a performance: Standard MIDI Files read back by mido."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import mido
import pytest
from kit_example import LAYERS, RATE, ROBINS

from oneshot.core.records.kit import Kit
from oneshot.kit.export import midi


@pytest.fixture(scope="module")
def kit(example: Kit) -> Kit:
    """The example kit."""
    return example


def notes_of(path: Path) -> list[tuple[float, int, int, int]]:
    """(second, channel, key, velocity) of every note of a file."""
    at, out = 0.0, []
    for message in mido.MidiFile(path):
        at += message.time
        if message.type == "note_on" and message.velocity > 0:
            out.append((at, message.channel, message.note, message.velocity))
    return out


def test_the_walk_wakes_every_alternate_of_every_layer_once(kit: Kit) -> None:
    """Each key from soft to hard on channel 10, as many hits a layer as it has round robins."""
    notes = notes_of(kit.session.root / "kit" / midi.WALK)

    assert {9} == {channel for _, channel, _, _ in notes}
    assert len(kit.one_shots) == len(notes)
    for key, way in ((36, "hit"), (42, "closed"), (46, "open")):
        velocities = [velocity for _, _, number, velocity in notes if number == key]
        assert velocities == sorted(velocities)
        inside = [sum(low <= v <= high for v in velocities) for low, high, _ in LAYERS[way]]
        assert [ROBINS] * len(LAYERS[way]) == inside


def test_a_take_is_played_as_it_was_measured(kit: Kit) -> None:
    """Every kept hit at its onset, to half a tick (0.26 ms), its velocity inside its own layer's range."""
    notes = notes_of(kit.session.root / "kit" / "mappings/played-take-1.mid")
    ranges = {shot.hit: shot.velocity for shot in kit.one_shots}
    known = [hit for hit in kit.hits if hit.level_db is not None]

    assert len(known) == len(notes)
    for hit, (at, _, _, velocity) in zip(known, notes, strict=True):
        assert hit.onset / RATE == pytest.approx(at, abs=0.00027)
        assert ranges[hit.id][0] - 1 <= velocity <= ranges[hit.id][1] + 1


def test_the_table_lists_every_layer(kit: Kit) -> None:
    """One line a key and layer, ranges as in the kit."""
    rows = list(csv.DictReader((kit.session.root / "kit" / midi.KEYS).read_text(encoding="utf-8").splitlines()))

    assert sum(map(len, LAYERS.values())) == len(rows)
    assert {"key": "36", "drum": "kick", "articulation": "hit", "layer": "1", "velocity_from": "1",
            "velocity_to": "60", "round_robins": "2", "hand": ""} == rows[0]


def test_takes_whose_names_a_file_cannot_tell_apart_get_numbers(kit: Kit, tmp_path: Path) -> None:
    """No take's file is written over by another's."""
    one = kit.session.takes[0]
    both = replace(kit.session, takes=(replace(one, name="Ü 1"), replace(one, name="ü: 1")))
    hits = tuple(replace(hit, take=name) for name in ("Ü 1", "ü: 1") for hit in kit.hits)
    written = midi.write(replace(kit, session=both, hits=hits), tmp_path)

    assert 4 == len(written) == len(set(written))
    assert all(path.stem.isascii() for path in written)
