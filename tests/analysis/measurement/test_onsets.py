"""Placing: onsets where strokes fall together, delays over takes, and the polarity of a bottom mic."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from statistics import median
from typing import Any, cast

import numpy as np
import pytest
from stage_inputs import PIER, PIER_TAKE, RATE, add, hit, noise, session_at, strike, take_of

from oneshot.analysis.measurement.attacks import place_attacks
from oneshot.analysis.measurement.onsets import Placer
from oneshot.analysis.records import Arrivals, Onsets, Shares, TakeScan, Templates
from oneshot.analysis.result import Detected, Findings, Named, Strokes
from oneshot.analysis.run import analyse
from oneshot.core.cache.disk import open_store
from oneshot.core.records.hits import Delay
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Mic, Take
from oneshot.session.open import fingerprint_parts, open_session
from oneshot.synth import write_session

# ------------------------------------------------------------------------------------------------------------- delays


MICS = ("Snare Top", "OH L", "Room")
LATE_MS = 2.0
"""How much later than the snare's own mic the overhead hears it where a reading is right."""


def take_named(name: str, mics: Sequence[str] = MICS) -> Take:
    """A take of those mics without any recording."""
    roles = {"Snare Top": Role.CLOSE, "OH L": Role.OVERHEAD, "Room": Role.ROOM}
    return Take(name, RATE, 100 * RATE, "PCM_24", tuple(
        Mic(m, roles[m], drum="snare" if roles[m] is Role.CLOSE else None) for m in mics))


def strokes_of(take: Take, late_ms: Sequence[float], *, depth_db: float = 30.0, apart_s: float = 1.0,
               together: Sequence[int] = ()) -> Strokes:
    """Snares, overhead and bottom mic hearing each that much later than the snare's own and the room not at all; a
    second kind is struck along with those numbered in ``together``.
    """
    count = len(late_ms)
    first = np.round(RATE * (1.0 + apart_s * np.arange(count))).astype(np.int64)
    frame = np.full((count, len(take.mics)), -1, np.int64)
    depth = np.full(frame.shape, np.nan)
    for name, late in (("Snare Top", np.zeros(count)), *((m, np.array(late_ms)) for m in ("OH L", "Snare Bottom"))):
        if name in [m.name for m in take.mics]:
            row = take.index(name)
            frame[:, row], depth[:, row] = first + np.round(late * RATE / 1000).astype(np.int64), depth_db
    gain = np.tile([1.0, 0.0], (count, 1))
    gain[list(together), 1] = 1.0
    rise = np.full(count, 10.0)
    heard = Detected(take, cast("TakeScan", None), np.ones(len(take.mics), bool),
                     Onsets(take.name, first, rise, np.tile(rise[:, None], len(take.mics))),
                     Arrivals(take.name, first, frame, depth, np.zeros(len(take.mics))), np.full(count, -1, np.int64))
    nothing = np.zeros((count, 2, len(MICS)))
    return Strokes(heard, np.arange(count), np.zeros(count, np.int64), gain, np.ones(count),
                   Shares(nothing, nothing[:, 0]), np.zeros((count, len(MICS), 1, 1)),
                   np.zeros(count, np.int64), np.full(count, -1))


def placer_of(*strokes: Strokes, root: Path = Path("none")) -> Placer:
    """A placer that knows a snare, at home in its own mic, and another drum."""
    named = Named({0: "snare", 1: "hat"}, {0: "snare", 1: "hat"}, {(0, 0): "centre", (1, 0): "closed"},
                  {0: "Snare Top", 1: "OH L"})
    unknown = np.full((2, 3), np.nan)
    kinds = Templates(np.ones((2, 3, 1, 1)), np.zeros((2, 3, 1, 1)), unknown, unknown, np.array([0, 1]),
                      np.array([9, 9]))
    return Placer(session_at(root, *(s.detected.take for s in strokes)), MICS, named, kinds, strokes)


def delays_ms(strokes: Strokes, *others: Strokes) -> list[float]:
    """The snare's delays in a take, mic by mic."""
    found = placer_of(strokes, *others)._delay(strokes, 0) / RATE * 1000
    return [float(ms) for ms in found]


def test_a_drum_is_its_own_reference() -> None:
    """Delays count from the home mic, and where no hit is heard clearly nothing is made up."""
    home, overhead, room = delays_ms(strokes_of(take_named("one"), [LATE_MS] * 6))

    assert 0.0 == home
    assert pytest.approx(LATE_MS) == overhead
    assert np.isnan(room)


def test_few_clear_hits_ask_the_other_takes() -> None:
    """Two hits of a take are too few: the delay is that of all takes together. Six are enough for its own."""
    other = strokes_of(take_named("two"), [LATE_MS] * 9)

    assert pytest.approx(LATE_MS) == delays_ms(strokes_of(take_named("one"), [5.0] * 2), other)[1]
    assert pytest.approx(5.0) == delays_ms(strokes_of(take_named("one"), [5.0] * 6), other)[1]


def test_strokes_at_once_tell_a_delay_only_where_nothing_else_does() -> None:
    """A hat struck along, or a stroke 40 ms before, may be what the overhead heard: hits alone outvote those."""
    single = [LATE_MS] * 2
    along = strokes_of(take_named("one"), [*single, *[4.0] * 8], together=range(2, 10))
    rapid = strokes_of(take_named("two"), [4.0] * 8, apart_s=0.04)

    assert pytest.approx(LATE_MS) == delays_ms(along)[1]
    assert pytest.approx(LATE_MS) == delays_ms(strokes_of(take_named("one"), [LATE_MS] * 3), rapid)[1]
    assert pytest.approx(4.0) == delays_ms(strokes_of(take_named("one"), [4.0] * 8, together=range(8)))[1]


def test_faint_hits_tell_a_delay_only_where_nothing_else_does() -> None:
    """Hits that stand 20 dB clear outvote fainter ones; where all are faint those count; below 12 dB none does."""
    faint = strokes_of(take_named("two"), [4.0] * 9, depth_db=15.0)

    assert pytest.approx(LATE_MS) == delays_ms(strokes_of(take_named("one"), [LATE_MS] * 2), faint)[1]
    assert pytest.approx(4.0) == delays_ms(faint)[1]
    assert np.isnan(delays_ms(strokes_of(take_named("two"), [4.0] * 9, depth_db=11.0))[1])


def test_a_delay_says_how_well_it_is_known() -> None:
    """Milliseconds, spread, readings and metres: 2 ms at 0 °C are 0.6626 m (331.29 m/s, ISO 9613-1:1993); nothing of a
    mic that hears nothing.
    """
    strokes = strokes_of(take_named("one"), [1.9, 2.0, 2.0, 2.0, 2.1, 2.0])
    placer = placer_of(strokes)
    placer._session = replace(placer._session, air_c=0.0)
    told = [placer._delay_record(ms / 1000, spread, int(hits)) for ms, spread, hits in zip(
        placer._known_delay(strokes, 0)[0] / RATE * 1000, *placer._known_delay(strokes, 0)[1:], strict=True)]

    assert 6 == told[1].hits
    assert pytest.approx(2.0) == told[1].ms
    assert pytest.approx(0.6626, abs=1e-4) == told[1].path_m
    assert 0 < (told[1].spread_ms or 0) < 0.1
    assert Delay() == told[2]


def test_a_coincident_pair_comes_out_at_zero() -> None:
    """Two capsules at one place hear every drum at once: no delay, no spread, no metres between them."""
    strokes = strokes_of(take_named("one"), [0.0] * 6)
    delay, spread, hits = placer_of(strokes)._known_delay(strokes, 0)

    assert Delay(0.0, 0.0, 6, 0.0) == placer_of(strokes)._delay_record(delay[1], spread[1], int(hits[1]))


def test_a_take_without_the_home_mic_is_measured_in_its_overhead() -> None:
    """Where a take lacks a drum's home mic, an overhead stands in before a room, and delays stay unknown."""
    take = take_named("one", ("Room", "OH L"))
    strokes = strokes_of(take, [LATE_MS] * 6)

    assert 1 == placer_of(strokes).home_row(take, 0)
    assert np.isnan(delays_ms(strokes)).all()


def test_a_lone_stroke_keeps_the_onset_that_was_read() -> None:
    """A stroke read all the way down, with no other drum within a second, began there, however slowly it climbs; not
    one near a hat, nor one with a hat in it, nor one read 20 dB down.
    """
    apart = strokes_of(take_named("one"), [LATE_MS] * 6, apart_s=2.0, together=(5,))
    apart.detected.arrivals.depth_db[0] = 20.0
    apart.activation[3], apart.template[3] = [0.0, 1.0], 1
    apart.detected.arrivals.first[3] -= round(1.5 * RATE)  # half a second after the third
    snares = np.array([0, 1, 2, 4, 5])

    assert [False, True, False, True, False] == placer_of(apart)._is_single(apart, snares, 0).tolist()


# ------------------------------------------------------------------------------------------------------------ polarity


def bottom_polarity(folder: Path, signs: Sequence[int], *, home: int = 1, depth_db: float = 30.0) -> tuple[int, bool]:
    """What is found of a snare's bottom mic that moves so against the top one in each hit; ``home``: what session.toml
    says of the top one; and whether it was measured.
    """
    top_sound, bottom_sound = (noise((len(signs) + 2) * RATE, -80, seed) for seed in (1, 2))
    for n, sign in enumerate(signs):
        add(top_sound, (n + 1) * RATE, strike(n), -6.0)
        add(bottom_sound, (n + 1) * RATE + RATE // 2000, sign * strike(n), -12.0)
    plain = take_of(folder, {"Snare Top": top_sound, "Snare Bottom": bottom_sound}, [Role.CLOSE] * 2)
    top, bottom = (replace(m, drum="snare") for m in plain.mics)
    strokes = strokes_of(replace(plain, mics=(replace(top, polarity=home), bottom)), [0.5] * len(signs),
                         depth_db=depth_db)
    placer = placer_of(strokes, root=folder)
    placer.place(strokes)

    assert home == placer.polarity[folder.name]["Snare Top"]
    assert "Snare Top" not in placer.measured.get(folder.name, ())
    return placer.polarity[folder.name]["Snare Bottom"], "Snare Bottom" in placer.measured.get(folder.name, ())


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("home", [1, -1])
def test_a_bottom_mic_is_known_to_be_inverted(tmp_path: Path, sign: int, home: int) -> None:
    """The polarity of a drum's other close mic is how it moves against the home mic, times what is said of that."""
    assert (sign * home, True) == bottom_polarity(tmp_path, [sign] * 5, home=home)


def test_polarity_stays_as_given_where_hits_do_not_tell(tmp_path: Path) -> None:
    """Hits that disagree, one hit alone, and hits less than 20 dB clear leave a mic as it was, and unmeasured."""
    assert (1, False) == bottom_polarity(tmp_path / "split", [1, -1, 1, -1])
    assert (1, False) == bottom_polarity(tmp_path / "single", [-1])
    assert (1, False) == bottom_polarity(tmp_path / "faint", [-1] * 5, depth_db=19.0)


# ------------------------------------------------------------------------------------------------------------- attacks


def test_alternates_begin_alike(tmp_path: Path) -> None:
    """One attack, its onset read up to 9 frames early or late, is placed alike in every hit of a group; a hit whose
    take lacks the home mic keeps the onset that was read.
    """
    off = [0, 4, -3, 0, 9, 1, 0]
    at = [RATE // 2 * (n + 1) for n in range(len(off))]
    sound = noise(5 * RATE, -100, 3)
    for n, frame in enumerate(at):
        add(sound, frame, strike(8), -6.0 - 2 * n)
    take = take_of(tmp_path / "one", {"Snare Top": sound}, [Role.CLOSE])
    bare = replace(take_named("two", ("Room",)), sample_rate=RATE)
    hits = (*(hit(n + 1, frame, take="one") for n, frame in enumerate(at)), hit(8, RATE, take="two"))
    onset = {n + 1: frame + move for n, (frame, move) in enumerate(zip(at, off, strict=True))} | {8: RATE}

    placed, unplaced = place_attacks(session_at(tmp_path / "one", take, bare), hits, onset, {"snare": "Snare Top"})

    assert [0] * len(off) == [placed[n + 1] - frame for n, frame in enumerate(at)]
    assert RATE == placed[8]
    assert frozenset() == unplaced


def test_an_attack_in_doubt_is_placed_by_its_likeness(tmp_path: Path) -> None:
    """A hit whose onset is in doubt, read 12 ms early or 5 ms late, is placed where its attack is like those of its
    group; one that is like none of them stays where it was read and is told.
    """
    off = [0, 2, -1, -576, 240, -300]
    doubtful = {4, 5, 6}
    at = [RATE // 2 * (n + 1) for n in range(len(off))]
    sound = noise(4 * RATE, -100, 3)
    for n, frame in enumerate(at):
        add(sound, frame, noise(RATE // 8, -12, 9) if n == 5 else strike(8), -6.0 - n)
    take = take_of(tmp_path / "one", {"Snare Top": sound}, [Role.CLOSE])
    hits = tuple(hit(n + 1, frame, take="one") for n, frame in enumerate(at))
    onset = {n + 1: frame + move for n, (frame, move) in enumerate(zip(at, off, strict=True))}

    placed, unplaced = place_attacks(session_at(tmp_path / "one", take), hits, onset, {"snare": "Snare Top"}, doubtful)

    assert [0] * 5 == [placed[n + 1] - at[n] for n in range(5)]
    assert (onset[6], frozenset({6})) == (placed[6], unplaced)
    placed, unplaced = place_attacks(session_at(tmp_path / "one", take), hits, onset, {"snare": "Snare Top"},
                                     frozenset(onset))
    assert (onset, frozenset(onset)) == (placed, unplaced)


# ----------------------------------------------------------------------------------------------------- whole sessions


def struck_together(folder: Path, apart_s: float) -> tuple[Findings, dict[str, Any]]:
    """A slate, and a take in which a soft kick falls shortly before each of its last snares, with what is known of
    it.
    """
    snares = [s for s in PIER_TAKE.strokes if s.drum == "snare"][-4:]
    first = snares[0].at_s - 1.0
    moved = [replace(s, at_s=s.at_s - first) for s in snares]
    kicks = [replace(s, drum="kick", articulation="hit", at_s=s.at_s - apart_s, strength_db=-20.0) for s in moved]
    both = replace(PIER_TAKE, name="together", strokes=tuple(sorted((*moved, *kicks), key=lambda s: s.at_s)))
    known = write_session(folder, PIER, (PIER_TAKE, both), seed=6)
    session = open_session(folder)
    found = analyse(session, store=open_store(fingerprint_parts(session)), progress=lambda stage, share: None)
    return found, known["together"]


@pytest.fixture(scope="module")
def together(tmp_path_factory: pytest.TempPathFactory) -> tuple[Findings, dict[str, Any]]:
    """Kick and snare 4 ms apart."""
    return struck_together(tmp_path_factory.mktemp("together") / "session", 0.004)


def off_s(found: Findings, known: dict[str, Any]) -> list[float]:
    """How far the onset of each snare in its own mic lies off the nearest true one, seconds."""
    truth = [t["onset"]["Snare Top"] for t in known["hits"] if t["drum"] == "snare"]
    read = [h.onsets["Snare Top"] for h in found.hits if h.take == "together" and h.drum == "snare"]
    return [min(abs(t - at) for t in truth) / known["sr"] for at in read if at is not None]


def test_each_drum_has_its_own_onset(together: tuple[Findings, dict[str, Any]]) -> None:
    """Of strokes 4 ms apart, the row of the louder drum begins where that drum begins in its own mic."""
    off = off_s(*together)

    assert len(off) >= 3
    assert median(off) <= 0.0005


@pytest.mark.full
def test_a_stroke_10_ms_before_does_not_begin_the_next(tmp_path: Path) -> None:
    """Of strokes 10 ms apart, where the snare's mic hears the kick first, every snare begins at its own onset."""
    off = off_s(*struck_together(tmp_path / "session", 0.010))

    assert 4 == len(off)
    assert max(off) <= 0.0005


def test_delays_are_shared_by_takes(together: tuple[Findings, dict[str, Any]]) -> None:
    """A take in which a drum never stands alone uses the delays that the other take tells, to 0.3 ms."""
    found, _ = together
    slate, other = found.delays_ms[PIER_TAKE.name]["snare"], found.delays_ms["together"]["snare"]
    both = [(slate[m], other[m]) for m in slate if m in other]

    assert len([pair for pair in both if None not in pair]) >= 3
    for first, second in both:
        if first is not None and second is not None:
            assert first == pytest.approx(second, abs=0.3)


def test_home_mics_are_their_own_reference(together: tuple[Findings, dict[str, Any]], tmp_path: Path) -> None:
    """Against itself a home mic has no delay, and polarity 1."""
    found, _ = together
    for drum in found.drums:
        for take, rows in found.delays_ms.items():
            if drum.name in rows:
                assert rows[drum.name][drum.home] == pytest.approx(0.0, abs=1e-9)
                assert found.polarity[take][drum.home] == 1


def test_an_inverted_mic_is_known_by_a_slate(together: tuple[Findings, dict[str, Any]]) -> None:
    """The kick's second mic, inverted at its source, is told so by the slate, and no other mic is."""
    found, _ = together

    assert ["Kick Out"] == [mic for mic, sign in found.polarity[PIER_TAKE.name].items() if sign == -1]
