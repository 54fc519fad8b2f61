"""Ornaments: strokes of one drum 15 to 55 ms apart are tied, and nothing else is."""

from __future__ import annotations

import pytest

from oneshot.analysis.measurement import ornaments
from oneshot.core.records.hits import Hit

RATE = 48000


def hit(number: int, at_ms: float, drum: str = "snare", take: str = "take 1") -> Hit:
    """A hit of which only drum, take and time matter."""
    return Hit(id=number, take=take, onset=round(at_ms * RATE / 1000), onsets={}, drum=drum, articulation="centre",
               confidence=1.0, level_db=0.0, bleed_db={}, isolated=True, usable=())


def kinds(*hits: Hit) -> list[tuple[str, int] | None]:
    """What each hit is tied as, in the order given."""
    tied = ornaments.tie(hits, {"take 1": RATE, "take 2": RATE})
    return [None if h.ornament is None else (h.ornament.kind, h.ornament.id) for h in tied]


@pytest.mark.parametrize(("strokes", "kind"), [(2, "flam"), (3, "drag"), (4, "drag"), (5, "roll"), (9, "roll")])
def test_strokes_of_one_gesture_are_tied(strokes: int, kind: str) -> None:
    """Two strokes 30 ms apart are a flam, three or four a drag, more a roll; all of them carry one number."""
    assert [(kind, 1)] * strokes == kinds(*(hit(n, 30.0 * n) for n in range(strokes)))


@pytest.mark.parametrize("apart_ms", [8.0, 10.0, 14.9, 55.1, 70.0, 125.0])
def test_one_event_and_a_rhythm_are_no_ornament(apart_ms: float) -> None:
    """Strokes closer than 15 ms are one event, strokes further than 55 ms apart are played as a rhythm."""
    assert [None, None] == kinds(hit(1, 0.0), hit(2, apart_ms))


@pytest.mark.parametrize("apart_ms", [15.0, 20.0, 40.0, 55.0])
def test_strokes_are_tied_from_15_to_55_ms(apart_ms: float) -> None:
    """Both limits are of the ornament, which holds the 20 to 40 ms of a flam (common practice, no source)."""
    assert [("flam", 1), ("flam", 1)] == kinds(hit(1, 0.0), hit(2, apart_ms))


def test_each_take_counts_at_its_own_rate() -> None:
    """Strokes 2880 frames apart are 60 ms and a rhythm at 48 kHz, and a flam of 30 ms at 96 kHz."""
    hits = [hit(1, 0.0), hit(2, 60.0), hit(3, 0.0, take="take 2"), hit(4, 60.0, take="take 2")]
    tied = ornaments.tie(hits, {"take 1": 48000, "take 2": 96000})

    assert [None, None, "flam", "flam"] == [h.ornament and h.ornament.kind for h in tied]


def test_the_order_of_the_hits_does_not_matter() -> None:
    """Hits come back in the order they were given in, tied as if they had been in order of time."""
    assert [("drag", 1), None, ("drag", 1), ("drag", 1)] == kinds(
        hit(3, 60.0), hit(4, 500.0), hit(1, 0.0), hit(2, 30.0))


def test_only_one_drum_in_one_take_is_tied() -> None:
    """A tom after a snare is no flam, nor is the same frame of another take."""
    assert [None, None, None] == kinds(hit(1, 0.0), hit(2, 30.0, "rack"), hit(3, 30.0, take="take 2"))


def test_a_cymbal_in_between_does_not_break_a_flam() -> None:
    """The strokes of a flam belong together whatever else is struck between them."""
    assert [("flam", 1), None, ("flam", 1)] == kinds(hit(1, 0.0), hit(2, 15.0, "hat"), hit(3, 30.0))


def test_ornaments_are_numbered_in_order() -> None:
    """Numbers count up from 1 with the first strokes; strokes between ornaments stay untied."""
    assert [("flam", 1), ("flam", 1), None, ("flam", 2), ("flam", 2)] == kinds(
        hit(1, 0.0), hit(2, 25.0), hit(3, 400.0), hit(4, 800.0), hit(5, 830.0))
