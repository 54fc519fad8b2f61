"""Complete: ornaments, attacks, articulations and grades of hits, whatever they were called before."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from stage_inputs import RATE, add, hit, noise, session_at, strike, take_of

from oneshot.analysis.complete import _with_articulations, completed
from oneshot.analysis.corrected import correct
from oneshot.analysis.result import Analysis, Findings, FoundDrum
from oneshot.config import handling
from oneshot.config.corrections_file import Correction, Corrections, Place
from oneshot.core.records.hits import Hit
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Mic, Session

AT = [RATE // 2 * (n + 1) for n in range(6)]
"""Strokes of one snare, half a second apart."""
LATE = RATE * 3 // 100
"""30 ms: a stroke so long after another one of its drum makes a flam of both."""
OFF = 5
"""Frames by which the fifth onset was read late."""


def place(frame: int) -> Place:
    """A hit of the take, as an entry names it."""
    return Place("one", frame)


@pytest.fixture
def found(tmp_path: Path) -> tuple[Session, Findings]:
    """Six strokes of a snare, of which the last three were taken for another drum, the fifth for its rim as well; and
    one more, 30 ms after the last, taken for a tom. All are 40 dB clear in both mics.
    """
    sound = noise(4 * RATE, -100, 3)
    for frame in (*AT, AT[-1] + LATE):
        add(sound, frame, strike(8), -6.0)
    take = take_of(tmp_path / "one", {"Snare": sound, "Tom": noise(4 * RATE, -100, 4)}, [Role.CLOSE, Role.CLOSE])
    take = replace(take, mics=tuple(replace(mic, drum=mic.name.lower()) for mic in take.mics))
    begins = [frame + OFF * (n == 4) for n, frame in enumerate(AT)] + [AT[-1] + LATE]
    hits = tuple(hit(n + 1, frame, drum="tom" if n == 6 else "snare" if n < 3 else "drum-1", onsets={"Snare": frame},
                     articulation="rim" if n == 4 else "hit") for n, frame in enumerate(begins))
    each = range(1, 8)
    drums = (FoundDrum("drum-1", "percussion", "Snare"), FoundDrum("snare", "snare", "Snare"),
             FoundDrum("tom", "tom", "Tom"))
    return session_at(tmp_path / "one", take), Findings(
        hits=hits, drums=drums, begins={h.id: h.onset for h in hits}, clean_db=dict.fromkeys(each, -40.0), noise=(),
        polarity={}, bleed={}, delays={}, problems=(),
        worst_db={k: dict.fromkeys(("Snare", "Tom"), -40.0) for k in each})


def under(found: tuple[Session, Findings], *entries: Correction) -> Analysis:
    """The analysis under those corrections."""
    session, findings = found
    return completed(*correct(session, findings, handling.apply(findings.hits, Corrections(entries), {"one": RATE})))


def ornaments(analysis: Analysis) -> list[str | None]:
    """What ornament each hit is part of."""
    return [None if h.ornament is None else h.ornament.kind for h in analysis.hits]


def test_ornaments_are_those_of_the_drums_in_the_end(found: tuple[Session, Findings]) -> None:
    """Strokes 30 ms apart that the analysis put into two drums are no flam; moved into one, they are."""
    moved = Correction("move", (place(AT[-1] + LATE),), to="drum-1")

    assert [None] * 7 == ornaments(under(found))
    assert [None] * 5 + ["flam"] * 2 == ornaments(under(found, moved))


def test_attacks_are_aligned_over_the_groups_in_the_end(found: tuple[Session, Findings]) -> None:
    """A stroke that is an articulation by itself keeps the onset that was read; merged with its like, all attacks lie
    at one place of the stroke.
    """
    apart = under(found)
    one = under(found, Correction("merge", drums=("snare", "drum-1"), to="snare"),
                Correction("merge", drum="snare", articulations=("hit", "rim"), to="hit"))

    assert AT[4] + OFF == apart.attacks[5]
    assert AT == [one.attacks[n + 1] for n in range(6)]
    assert {"snare": ("hit",), "tom": ("hit",)} == {d.name: d.articulations for d in one.drums}


def test_articulations_are_in_order_of_frequency(found: tuple[Session, Findings]) -> None:
    """The more frequent one comes first, whatever came first before: hits can be moved."""
    assert {"drum-1": ("hit", "rim"), "snare": ("hit",), "tom": ("hit",)} == {
        d.name: d.articulations for d in under(found).drums}
    moved = under(found, Correction("move", (place(AT[3]),), to_articulation="rim"))

    assert ("rim", "hit") == next(d.articulations for d in moved.drums if d.name == "drum-1")


def test_grades_are_stricter_in_the_mics_of_the_drum_in_the_end(found: tuple[Session, Findings]) -> None:
    """Bleed of -40 dB is a B in a drum's own mics and an A in all others, and the drum is that of the corrections."""
    moved = under(found, Correction("move", (place(AT[0]),), to="tom"))

    assert {"Snare": "B", "Tom": "A"} == under(found).grades[1]
    assert {"Snare": "A", "Tom": "B"} == moved.grades[1]


def test_a_take_without_the_home_mic_tells_where_it_was_measured(found: tuple[Session, Findings]) -> None:
    """What was read in the mic that stood in for the home mic is all there is to know of the attack."""
    session, findings = found
    other = replace(session.takes[0], name="two", mics=(Mic("Room", Role.ROOM),))
    more = hit(8, 700, drum="snare", take="two", onsets={"Room": 900})
    both = replace(session, takes=(*session.takes, other))
    analysis = completed(both, replace(findings, hits=(*findings.hits, more), begins={**findings.begins, 8: 900}))

    assert 900 == analysis.attacks[8]
    assert {} == analysis.grades[8]


def test_the_findings_stay_as_they_are(found: tuple[Session, Findings]) -> None:
    """What was found is used again under other corrections: completing it changes nothing in it."""
    _, findings = found
    before: tuple[Hit, ...] = findings.hits
    under(found, Correction("merge", drums=("snare", "drum-1"), to="snare"))

    assert before is findings.hits
    assert all(h.ornament is None for h in findings.hits)
    assert all(not d.articulations for d in findings.drums)


@pytest.mark.parametrize(("counts", "order"), [
    ({"hit-set-2": 9, "hit": 2}, ["hit", "hit-set-2"]),
    ({"rim": 5, "hit-set-2": 4, "hit": 3, "hit-set-10": 1, "hit-set-3": 1, "edge": 5},
     ["hit", "hit-set-2", "hit-set-3", "hit-set-10", "edge", "rim"]),
    ({"closed-2": 1, "closed": 3, "closed-2-set-2": 4}, ["closed-2", "closed-2-set-2", "closed"]),
])
def test_sets_follow_their_first(counts: dict[str, int], order: list[str]) -> None:
    """Whatever set has the most hits: articulations by how often they were struck, sets of one in order of numbers."""
    ways = [way for way, times in counts.items() for _ in range(times)]
    hits = tuple(hit(n + 1, RATE * n, drum="snare", articulation=way) for n, way in enumerate(ways))
    drums = _with_articulations((FoundDrum("snare", "snare", "Snare"),), hits)

    assert [tuple(order)] == [drum.articulations for drum in drums]
