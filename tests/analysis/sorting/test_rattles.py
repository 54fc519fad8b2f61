"""Rattles and beginnings: what a cymbal does by itself is no hit, and a thud just ahead of a hit is how it begins."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import cast

import numpy as np
import pytest
from stage_inputs import BANDS, RATE, STRETCHES, templates

from oneshot.analysis.records import Arrivals, Onsets, Shares, TakeScan
from oneshot.analysis.result import Detected, Strokes
from oneshot.analysis.sorting import non_drums
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Mic, Take

MICS = (Mic("Snare", Role.CLOSE, "snare"), Mic("OH L", Role.OVERHEAD), Mic("OH R", Role.OVERHEAD))
CRASH, SNARE = 0, 1
KINDS = templates(*[np.full((len(MICS), BANDS, STRETCHES), 1e-3)] * 2)
IS_CYMBAL = np.array([True, False])


@dataclass(frozen=True, slots=True)
class Heard:
    """A candidate: when, which template it is a stroke of, how loud, how sharply it rises, and how surely it is that
    drum's.
    """

    at_s: float
    kind: int = CRASH
    level_db: float = 0.0
    rise_db: float = 12.0
    confidence: float = 0.9
    hit: bool = True
    added: bool = False


STRUCK = Heard(1.0)
RATTLE = Heard(1.4, level_db=-22.0, rise_db=2.5, confidence=0.3)


def left(*heard: Heard, places: bool = True) -> Strokes:
    """The hits of a take that are left of those candidates; ``places``: there are mics enough to tell places apart."""
    first = np.array([round(each.at_s * RATE) for each in heard], np.int64)
    rows = np.array([i for i, each in enumerate(heard) if each.hit], np.int64)
    rise = np.array([each.rise_db for each in heard])
    level = 10 ** (np.array([heard[i].level_db for i in rows]) / 10)
    kind = np.array([heard[i].kind for i in rows], np.int64)
    own = np.zeros((len(rows), 2, len(MICS)))
    own[np.arange(len(rows)), kind] = level[:, None] / len(MICS)
    unknown = np.full((len(first), len(MICS)), -1)
    take = Take("one", RATE, 20 * RATE, "PCM_24", MICS)
    detected = Detected(take, cast("TakeScan", None), np.ones(len(MICS), bool),
                        Onsets("one", first, rise, np.tile(rise[:, None], len(MICS))),
                        Arrivals("one", first, unknown, np.full(unknown.shape, np.nan), np.zeros(len(MICS))),
                        np.full(len(first), -1, np.int64),
                        added={i: frozenset({"crash"}) for i, each in enumerate(heard) if each.added})
    strokes = Strokes(detected, rows, kind, own.sum(axis=2), np.array([heard[i].confidence for i in rows]),
                      Shares(own, own.sum(axis=1)), np.zeros((len(rows), len(MICS), 1, 1), np.float32),
                      np.zeros(len(rows), np.int64), np.full(len(rows), -1))
    (out,) = non_drums.loud_enough([strokes], KINDS, IS_CYMBAL, places=places)
    return out


def rows(*heard: Heard) -> list[int]:
    """Which of those candidates are hits in the end."""
    return [int(row) for row in left(*heard).rows]


# -------------------------------------------------------------------------------------------------------------- rattles


def test_a_cymbal_that_rattles_is_not_struck() -> None:
    """What comes out of a cymbal softly, unsurely and without an attack, 0.4 s after a far louder hit of it, is no hit;
    all that is kept of the hits goes with those that stay.
    """
    found = left(STRUCK, RATTLE, Heard(2.0))

    assert [0, 2] == found.rows.tolist()
    assert [2] * 8 == [len(each) for each in (found.template, found.activation, found.confidence, found.shares.own,
                                              found.shares.other, found.own_db, found.articulation, found.label)]


@pytest.mark.parametrize("other", [
    Heard(1.4, level_db=-22.0, rise_db=2.5, confidence=0.8), Heard(1.4, level_db=-22.0, rise_db=5.0, confidence=0.3),
    Heard(1.4, level_db=-12.0, rise_db=2.5, confidence=0.5), Heard(2.2, level_db=-22.0, rise_db=2.5, confidence=0.3),
    Heard(0.9, level_db=-22.0, rise_db=2.5, confidence=0.3),
], ids=["sure", "with an attack", "not so much softer", "too late", "before"])
def test_a_soft_stroke_of_a_cymbal_stays(other: Heard) -> None:
    """Any one of these is missing, and it is a soft stroke: how sure the drum is, an attack, how much louder the hit
    before it was, and how long ago.
    """
    assert [0, 1] == rows(*sorted((STRUCK, other), key=lambda each: each.at_s))


def test_a_ghost_note_of_a_snare_stays() -> None:
    """A membrane does not rattle: the same, soft and no surer than that, is a ghost note where the drum is a snare,
    after a louder snare, and after a louder cymbal.
    """
    ghost = Heard(1.4, SNARE, -22.0, 2.5, 0.5)

    assert [0, 1] == rows(Heard(1.0, SNARE), ghost)
    assert [0, 1] == rows(STRUCK, ghost)


def test_what_fits_no_drum_well_comes_out_of_a_ring() -> None:
    """Faint, below a louder hit of whatever drum, and nearly as well another drum's: no hit. With an attack of its own,
    not below what rings, after the ring, where more is played, or where too few mics tell places apart, it stays.
    """
    doubtful = Heard(1.4, SNARE, -9.0, 2.5, 0.3)

    assert [0] == rows(STRUCK, doubtful) == rows(Heard(1.0, SNARE), doubtful)
    for each in (replace(doubtful, rise_db=5.0), replace(doubtful, level_db=-3.0), replace(doubtful, at_s=2.2)):
        assert [0, 1] == rows(STRUCK, each)
    assert [0, 1, 2] == rows(STRUCK, doubtful, Heard(1.9, SNARE))
    assert [0, 1] == left(STRUCK, doubtful, places=False).rows.tolist()
    assert [0, 1] == left(STRUCK, RATTLE, places=False).rows.tolist()


def test_another_drums_hit_makes_no_cymbal_rattle() -> None:
    """After a snare alone, a soft cymbal is a soft cymbal."""
    assert [0, 1, 2] == rows(Heard(0.1), Heard(1.2, SNARE), Heard(1.4, level_db=-22.0, rise_db=2.5, confidence=0.5))


def test_a_hit_that_the_user_added_is_no_rattle() -> None:
    """What a person says is a hit stays, whatever it looks like."""
    assert [0, 1] == rows(STRUCK, Heard(1.4, level_db=-22.0, rise_db=2.5, confidence=0.3, added=True))


def test_what_is_softer_than_anyone_plays_is_no_hit() -> None:
    """What lies 50 dB below its drum's hard strokes is none, cymbal or not, however sure; 35 dB below it is one."""
    assert [0, 1] == rows(Heard(1.0, SNARE), Heard(3.0, SNARE, -35.0), Heard(5.0, SNARE, -50.0))
    assert [0, 1] == rows(STRUCK, Heard(3.0, level_db=-35.0), Heard(5.0, level_db=-50.0))


# ----------------------------------------------------------------------------------------------------------- beginnings


def begins(*heard: Heard) -> list[float | None]:
    """When the events of the candidates begin ahead of their arrivals, s; None where they do not."""
    return [None if frame < 0 else round(float(frame) / RATE, 6) for frame in left(*heard).detected.begin]


THUD = Heard(1.0, rise_db=3.0, hit=False)


def test_a_thud_just_ahead_of_a_hit_is_how_it_begins() -> None:
    """The pedal's thud, out of quiet and 25 ms before the plates meet, is where the hat's event begins; what is 40 ms
    ahead is something else.
    """
    assert [None, 1.0] == begins(THUD, Heard(1.025))
    assert [None, None] == begins(THUD, Heard(1.040))


def test_only_what_is_heard_out_of_quiet_begins_a_hit() -> None:
    """A thud too faint to be one, one within another hit's sound, and a stroke of a drum begin nothing."""
    assert [None, None] == begins(Heard(1.0, rise_db=1.0, hit=False), Heard(1.025))
    assert [None, None, None] == begins(Heard(0.98), THUD, Heard(1.025))
    assert [None, None] == begins(Heard(1.0), Heard(1.025))


def test_only_the_next_hit_begins_with_a_thud() -> None:
    """Of two hits that follow, the first begins there; both stay hits."""
    assert [None, 1.0, None] == begins(THUD, Heard(1.012, SNARE), Heard(1.025))
    assert [1, 2] == rows(THUD, Heard(1.012, SNARE), Heard(1.025))


def test_no_hit_begins_with_a_rattle() -> None:
    """A cymbal's rattle that was dropped just ahead of a hit is not how that hit begins."""
    rattle = Heard(1.4, level_db=-22.0, rise_db=3.0, confidence=0.3)

    assert [None] * 3 == begins(STRUCK, rattle, Heard(1.42, SNARE))
    assert [None, None, 1.4] == begins(STRUCK, Heard(1.4, rise_db=3.0, hit=False), Heard(1.42, SNARE))
