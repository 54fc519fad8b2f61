"""Which layer sounds at a velocity, and how loud."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from oneshot.core.errors import KitError
from oneshot.core.records.kit import Kit
from oneshot.kit.playback import keymap


@pytest.fixture(scope="module")
def kit(example: Kit) -> Kit:
    """The example kit."""
    return example


def test_level_curve_by_hand() -> None:
    """Two layers 10 dB apart: middle of the lower range at 32, the upper one natural at 127; at 64 and 65 no step."""
    natural, wanted = keymap.level_curve([(1, (1, 63), -20.0), (2, (64, 127), -10.0)])

    assert {1: -20.0, 2: -10.0} == natural
    assert pytest.approx(-20.0) == wanted[1][32]
    assert pytest.approx(-10.0) == wanted[2][127]
    assert pytest.approx(-20 + 10 * (63 - 32) / 95) == wanted[1][63]
    assert pytest.approx(-20 + 10 * (64 - 32) / 95) == wanted[2][64]
    assert pytest.approx(-20 - 31 * 10 / 95) == wanted[1][1]


def test_layers_of_unknown_or_falling_level_are_held_level() -> None:
    """No sweep falls: a layer measured softer than the one below is raised to it; unknown counts as level with it."""
    natural, wanted = keymap.level_curve([(1, (1, 40), -20.0), (2, (41, 80), -22.0), (3, (81, 127), None)])

    assert pytest.approx(-20.0) == wanted[2][60]
    assert pytest.approx(-20.0) == wanted[3][100] == natural[3]
    assert -22.0 == natural[2]


def test_alternates_sound_at_one_level(kit: Kit) -> None:
    """Alternates of a layer that were recorded at different levels are brought to the same one."""
    for key in keymap.keys_of(kit, keymap.hit_levels(kit)):
        for layer in key.layers:
            heard = {round(layer.own_db[s.hit] + layer.gain_db(s, layer.high), 6) for s in layer.alternates}
            assert {round(layer.top_db, 6)} == heard


def test_velocity_and_level_are_each_others_inverse(kit: Kit) -> None:
    """The velocity read for a level is the one that plays it, wherever the level rises with velocity."""
    (key,) = (key for key in keymap.keys_of(kit, keymap.hit_levels(kit)) if key.key == 36)
    wanted = {v: level for layer in key.layers for v, level in layer.wanted_db.items()}

    assert list(range(1, 128)) == sorted(wanted)
    assert all(a < b for a, b in pairwise(wanted[v] for v in range(1, 128)))
    assert list(range(1, 128)) == [key.velocity(wanted[v]) for v in range(1, 128)]
    assert (1, 127) == (key.velocity(-90.0), key.velocity(10.0))


def test_the_balanced_level_goes_first(kit: Kit) -> None:
    """Mappings play by the level of the mix where it was measured, by the stroke's where it was not."""
    shots = (replace(kit.one_shots[0], mix_db=-7.0), *kit.one_shots[1:])
    levels = keymap.mix_levels(replace(kit, one_shots=shots))

    assert -7.0 == levels[kit.one_shots[0].hit]
    assert kit.hits[1].level_db == levels[kit.one_shots[1].hit]


def test_layers_that_do_not_tile_are_refused(kit: Kit) -> None:
    """A gap would be a silent velocity."""
    gap = tuple(replace(shot, velocity=(1, 59)) if shot.velocity == (1, 60) else shot for shot in kit.one_shots)
    with pytest.raises(KitError, match="kick/hit: its layers do not cover velocities 1 to 127"):
        keymap.keys_of(replace(kit, one_shots=gap), {})
    torn = (replace(kit.one_shots[0], velocity=(1, 59)), *kit.one_shots[1:])
    with pytest.raises(KitError, match="layer 1 has several velocity ranges"):
        keymap.keys_of(replace(kit, one_shots=torn), {})


def test_a_kit_without_one_shots_has_no_keys(kit: Kit, tmp_path: Path) -> None:
    """Nothing kept: nothing to map, and no error."""
    assert () == keymap.keys_of(replace(kit, one_shots=()), {})
