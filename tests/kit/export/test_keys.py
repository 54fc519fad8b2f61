"""MIDI keys: the General MIDI Level 1 percussion map (MMA0007 / RP-003), and that no key is given twice."""

from __future__ import annotations

import pytest

from oneshot.core.errors import SettingsError
from oneshot.kit.export.keys import Struck, assign_keys, unknown_keys


def keys(*struck: Struck, **overrides: int) -> dict[str, int]:
    """The keys by "drum/articulation"."""
    return {f"{drum}/{name}": key for (drum, name), key in assign_keys(struck, overrides).items()}


@pytest.mark.parametrize(("kind", "articulation", "key"), [
    ("kick", "hit", 36), ("snare", "hit", 38), ("snare", "centre", 38), ("snare", "side stick", 37),
    ("snare", "cross stick", 37), ("snare", "rimshot", 38), ("hat", "closed", 42), ("hat", "foot", 44),
    ("hat", "open", 46), ("crash", "hit", 49), ("ride", "bow", 51), ("ride", "bell", 53), ("china", "hit", 52),
    ("splash", "hit", 55), ("cowbell", "hit", 56), ("tambourine", "hit", 54)])
def test_each_stroke_alone_has_its_general_midi_note(kind: str, articulation: str, key: int) -> None:
    """Notes 36 to 56 as General MIDI Level 1 lists them; a lone rimshot is a snare like any other (40, or 38)."""
    found = keys(Struck(kind, kind, (articulation,)))[f"{kind}/{articulation}"]

    assert found == (40 if articulation == "rimshot" else key)


def test_the_strokes_of_one_snare_share_its_notes() -> None:
    """Centre 38, rimshot 40, side stick 37, in whatever order they were found."""
    expected = {"snare/centre": 38, "snare/rimshot": 40, "snare/side stick": 37}
    for names in (("centre", "rimshot", "side stick"), ("rimshot", "side stick", "centre")):
        assert expected == keys(Struck("snare", "snare", names))


def test_a_true_open_hat_gets_the_open_note_before_a_half_open_one() -> None:
    """46 is the open hat's, whichever was found first."""
    found = keys(Struck("hat", "hat", ("half open", "open", "closed")))

    assert (46, 42) == (found["hat/open"], found["hat/closed"])
    assert found["hat/half open"] >= 60


def test_second_cymbals_have_notes_of_their_own() -> None:
    """Crash 49 and 57, ride 51 and 59."""
    found = keys(*(Struck(f"{kind} {n}", kind, ("hit",)) for kind in ("crash", "ride") for n in (1, 2)))

    assert [49, 57, 51, 59] == list(found.values())


def test_a_cymbal_that_nobody_named_plays_what_the_kit_lacks() -> None:
    """The crash's note, then the ride's, so that MIDI files find something there; a real crash goes before it, in
    whatever order they stand.
    """
    cymbals = [Struck(name, "cymbal", ("hit",)) for name in ("cymbal", "cymbal-2")]

    assert [49, 51] == list(keys(*cymbals).values())
    assert {"cymbal/hit": 51, "cymbal-2/hit": 57, "crash/hit": 49} == keys(*cymbals, Struck("crash", "crash", ("hit",)))


@pytest.mark.parametrize("count", range(1, 9))
def test_toms_rise_with_their_pitch(count: int) -> None:
    """General MIDI's six toms from low to high are 41, 43, 45, 47, 48, 50; more than six go to free keys."""
    toms = [Struck(f"tom {n}", "tom", ("hit",), pitch_hz=200.0 - 20 * n) for n in range(1, count + 1)]
    found = [keys(*toms)[f"tom {n}/hit"] for n in range(count, 0, -1)][:6]

    assert sorted(found) == found
    assert set(found) <= {41, 43, 45, 47, 48, 50}
    if count >= 6:
        assert [41, 43, 45, 47, 48, 50] == found


@pytest.mark.parametrize(("low", "mid", "high"), [
    ("tom-3", "tom-2", "tom-1"),  # numbered as they were found: from the highest down
    ("low tom", "mid tom", "high tom"),
    ("low tom", "mid tom", "tom-1"),
    ("floor tom", "rack 2", "rack 1"),
    ("floor 2", "floor 1", "hi tom"),
    ("floor tom", "tom 2", "tom 1"),
])
def test_names_outrank_pitches_that_were_read(low: str, mid: str, high: str) -> None:
    """The low tom's first mode was read at 170 Hz, above the middle one's fundamental: names that say how high a tom is
    decide, whatever was read.
    """
    found = keys(Struck(high, "tom", ("hit",), 173.7), Struck(mid, "tom", ("hit",), 129.0),
                 Struck(low, "tom", ("hit",), 169.8))

    assert [43, 45, 48] == [found[f"{name}/hit"] for name in (low, mid, high)]


def test_a_name_that_says_nothing_leaves_a_tom_where_its_pitch_is() -> None:
    """One called by its wood is the lowest by its pitch; the others are in order among themselves."""
    found = keys(Struck("birch", "tom", ("hit",), 70.0), Struck("floor tom", "tom", ("hit",), 170.0),
                 Struck("rack tom", "tom", ("hit",), 120.0))

    assert [43, 45, 48] == [found[f"{name}/hit"] for name in ("birch", "floor tom", "rack tom")]


def test_without_pitches_toms_go_by_name() -> None:
    """Floor toms lowest; tom 1 is the highest of the numbered ones."""
    found = keys(Struck("tom 1", "tom", ("hit",)), Struck("tom 2", "tom", ("hit",), 120.0),
                 Struck("floor tom", "tom", ("hit",)))

    assert found["floor tom/hit"] < found["tom 2/hit"] < found["tom 1/hit"]


def test_percussion_without_a_note_starts_at_60() -> None:
    """Free keys upward from 60."""
    found = keys(*(Struck(name, "percussion", ("hit",)) for name in ("block", "pipe")))

    assert [60, 61] == list(found.values())


def test_no_key_is_given_twice() -> None:
    """However many drums there are, up to 128 strokes."""
    drums = [Struck(f"{kind} {n}", kind, ("hit", "rim", "edge", "open")) for n in range(4)
             for kind in ("kick", "snare", "tom", "hat", "crash", "ride", "cymbal", "percussion")]
    found = list(assign_keys(drums, {}).values())

    assert list(range(128)) == sorted(found)
    with pytest.raises(SettingsError, match="there is no MIDI key left"):
        assign_keys([*drums, Struck("one more", "kick", ("hit",))], {})


def test_the_recipes_keys_come_first() -> None:
    """By drum, meaning its ordinary stroke, or by articulation; whoever else wanted the key gets another."""
    struck = (Struck("kick", "kick", ("hit",)), Struck("snare", "snare", ("rimshot", "centre")))
    found = assign_keys(struck, {"snare": 36, "snare/rimshot": 41})

    assert {("kick", "hit"): 35, ("snare", "rimshot"): 41, ("snare", "centre"): 36} == found


def test_two_wishes_for_one_key_are_refused() -> None:
    """Both are named."""
    with pytest.raises(SettingsError, match="kick/hit and snare/hit are both on key 36"):
        assign_keys([Struck("kick", "kick", ("hit",)), Struck("snare", "snare", ("hit",))], {"kick": 36, "snare": 36})


def test_wishes_for_drums_that_are_not_there_are_told() -> None:
    """So that a misspelt drum in the recipe is not silently without effect."""
    assert ("snair", "kick/rim") == unknown_keys([Struck("kick", "kick", ("hit",))],
                                                 {"kick": 36, "snair": 38, "kick/rim": 40, "kick/hit": 36})
