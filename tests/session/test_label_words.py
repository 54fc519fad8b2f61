"""Vocabulary: what texts beside a recording say of what is played; the words are common practice, no source."""

from __future__ import annotations

import pytest

from oneshot.session.labels import ROWS, Spoken, articulation_of, ends, parse


@pytest.mark.parametrize(("text", "expected"), [
    ("snare rimshot left", Spoken("snare", "rimshot", "left")),
    ("snare rim left hand soft", Spoken("snare", "rim", "left", strength="soft")),
    ("SnareRimshotLeft 03", Spoken("snare", "rimshot", "left")),
    ("brushes", Spoken(tool="brushes")),
    ("kick wires off", Spoken("kick", wires="off")),
    ("snares off", Spoken(wires="off")),
    ("Snares, hard hits", Spoken("snare", strength="hard")),
    ("cross-stick", Spoken("snare", "side-stick")),
    ("side stick right", Spoken("snare", "side-stick", "right")),
    ("HH half-open", Spoken("hat", "half-open")),
    ("hi-hat foot", Spoken("hat", "foot")),
    ("hat closed and open", Spoken("hat")),
    ("floor tom with mallets", Spoken("floor tom", tool="mallets")),
    ("tom 2 take 3", Spoken("tom 2")),
    ("crash left", Spoken("crash left")),
    ("crash left hand", Spoken("crash", hand="left")),
    ("ride bell", Spoken("ride", "bell")),
    ("cow bell", Spoken("cow bell")),
    ("snare ghost notes", Spoken("snare", strength="ghost")),
    ("02_snare_rods_medium", Spoken("snare", tool="rods", strength="medium")),
])
def test_trade_words_are_understood(text: str, expected: Spoken) -> None:
    """Drum, stroke, hand, wires, tool and strength are read in any order, case and spelling of the trade."""
    assert expected == parse(text)


@pytest.mark.parametrize("text", ["", "take 1", "groove", "1 slate", "snare song", "ride home", "Saturday", "verse 2",
                                  "kick and snare", "snare top", "brass", "toms", "drums", "Rimini", "the open road"])
def test_what_names_no_drum_says_nothing(text: str) -> None:
    """One unknown word, or two drums, and a text is no label: titles of songs must not rename a drum."""
    assert parse(text) is None


@pytest.mark.parametrize("text", ["open", "soft", "ghost", "left hand", "bell", "hard 2"])
def test_a_word_alone_names_no_take(text: str) -> None:
    """A word that says how but not what is enough for a cue, but not for the name of a take."""
    said = parse(text)

    assert said is not None
    assert not said.names_a_stroke


def test_a_deeper_folder_speaks_first() -> None:
    """What one text leaves open is taken from another, unless that is about another drum."""
    assert Spoken("snare", "rim", "left") == Spoken(None, "rim", "left").over(Spoken("snare", "centre"))
    assert Spoken("kick") == Spoken("kick").over(Spoken("snare", "rim"))


def test_strokes_have_one_spelling() -> None:
    """However the trade writes a stroke, the kit writes it in one way; what is not in the table stands."""
    assert "side-stick" == articulation_of("Cross Stick")
    assert "half-open" == articulation_of("half open")
    assert "finger-tip" == articulation_of("Finger tip")
    assert "snare" == articulation_of("snare")


def test_an_end_is_no_stroke() -> None:
    """"End" closes what was said before; "endless" does not."""
    assert ends("End of snare")
    assert ends("stop")
    assert not ends("endless")


def test_every_row_says_something_known() -> None:
    """The table speaks of nothing but what a label can hold, and each value reads back to itself."""
    for pattern, key, value in ROWS:
        assert key in ("", "drum", "articulation", "hand", "wires", "tool", "strength"), pattern
        if value and key not in ("wires", "drum"):
            said = parse(value.replace("-", " "))
            assert said is not None, value
            assert value == getattr(said, key)
