"""Detect: candidates from rises in many bands and mics, whatever else happens in the take.

Candidates are many on purpose, and faint ones are sorted out later. So "nothing is found" means here: nothing that
rises a quarter as much as a stroke does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from stage_inputs import RATE, add, noise, scan_take, strike, take_of

from oneshot.analysis.detection import onsets
from oneshot.analysis.records import Onsets
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Floats, Mic, Take

ROLES = (Role.CLOSE, Role.CLOSE, Role.OVERHEAD, Role.OVERHEAD)
NEAR_S = 0.008
"""How far a candidate may lie from the earliest sound of its hit: from here on ``align`` reads the samples."""


def mics(seconds: float, hits: Sequence[tuple[float, float]], floor_dbfs: float = -85.0) -> dict[str, Floats]:
    """Four mics 0 to 3 ms from a drum; ``hits``: (second, dBFS) of each stroke."""
    frames = round(seconds * RATE)
    out = {name: noise(frames, floor_dbfs, seed) for seed, name in enumerate(("a", "b", "c", "d"))}
    for n, (at, level) in enumerate(hits):
        stroke = strike(40 + n)
        for m, x in enumerate(out.values()):
            add(x, round((at + 0.001 * m) * RATE), stroke, level - 4 * m)
    return out


def found_in(folder: Path, sounds: dict[str, Floats], roles: Sequence[Role] = ROLES,
             ignored: tuple[tuple[int, int], ...] = ()) -> Onsets:
    """The candidates of a take of those mics."""
    take = take_of(folder, sounds, roles, ignored=ignored)
    return onsets.detect(scan_take(folder, take), take)


def clear(found: Onsets, than_db: float = 20.0) -> Floats:
    """When the candidates come that rise at least a quarter as much as a stroke of ``than_db``, seconds."""
    return np.asarray(found.frame[found.rise_db >= than_db / 4] / RATE)


def assert_found(expected: Sequence[float], found: Onsets, than_db: float = 20.0) -> None:
    """One clear candidate per stroke, each close to it, and no other."""
    seconds = clear(found, than_db)

    assert len(expected) == len(seconds), seconds
    np.testing.assert_allclose(expected, seconds, atol=NEAR_S)


def assert_heard(expected: Sequence[float], found: Onsets) -> None:
    """A candidate close to every stroke, whatever else there is."""
    for at in expected:
        assert np.abs(found.frame / RATE - at).min() <= NEAR_S, (at, found.frame / RATE)


def test_detected_in_pieces_equals_detected_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """However few steps are looked at at once, the candidates are the same to the bit: also where onset strength stays
    at its limit across a border, as it does after digital black.
    """
    hits = [(at, -8.0 - n) for n, at in enumerate((0.02, 0.3, 0.325, 0.9, 1.4))]
    sounds = {f"{name}{n}": x for n in range(3) for name, x in mics(2, hits).items()}
    for x in sounds.values():
        x[round(0.7 * RATE) : round(0.9 * RATE)] = 0.0
        x[round(1.1 * RATE) : round(1.4 * RATE)] = 0.0
    take = take_of(tmp_path, sounds, ROLES * 3)
    scan = scan_take(tmp_path, take)
    whole = onsets.detect(scan, take)
    for steps in (*range(5, 40), 100, 101, 257):
        monkeypatch.setattr(onsets, "PIECE_STEPS", steps)
        found = onsets.detect(scan, take)
        for name in ("frame", "rise_db", "mic_rise_db"):
            np.testing.assert_array_equal(getattr(whole, name), getattr(found, name), err_msg=f"{name} {steps}")
    assert len(whole.frame) >= len(hits)


# -------------------------------------------------------------------------------------------------------- what is found


@pytest.mark.parametrize("gap_s", [0.3, 0.6, 1.5])
def test_a_soft_stroke_after_a_loud_one_is_found(tmp_path: Path, gap_s: float) -> None:
    """A stroke 35 dB below the one before it counts as much as that one."""
    assert_heard([0.5, 0.5 + gap_s], found_in(tmp_path, mics(3, [(0.5, -3), (0.5 + gap_s, -38)])))


def test_a_stroke_over_the_ring_of_another_is_found(tmp_path: Path) -> None:
    """A stroke that stands above what still rings is found while the loud one before it still sounds."""
    assert_heard([0.5, 0.62], found_in(tmp_path, mics(2, [(0.5, -3), (0.62, -15)])))


@pytest.mark.parametrize("gap_s", [0.025, 0.040])
def test_the_strokes_of_a_flam_are_two(tmp_path: Path, gap_s: float) -> None:
    """Strokes 20 to 40 ms apart, the second one louder, are two candidates."""
    assert_found([0.5, 0.5 + gap_s], found_in(tmp_path, mics(2, [(0.5, -16), (0.5 + gap_s, -6)])))


def test_a_stroke_in_a_few_bands_is_found(tmp_path: Path) -> None:
    """A dull stroke, a tenth of the spectrum wide, is one as well."""
    sounds = mics(2, [])
    time = np.arange(RATE // 2) / RATE
    dull = np.sin(2 * np.pi * 90 * time) * np.exp(-time / 0.12) * np.minimum(time / 0.001, 1)
    for x in sounds.values():
        add(x, RATE, dull, -10)

    assert_found([1.0], found_in(tmp_path, sounds))


def test_scaling_a_take_changes_no_candidate(tmp_path: Path) -> None:
    """Detection knows ratios only: the take 12 dB down gives the same clear candidates, and their rises to 0.1 dB."""
    sounds = mics(3, [(0.5, -3), (1.1, -20), (2.0, -38)])
    loud = found_in(tmp_path / "loud", sounds)
    soft = found_in(tmp_path / "soft", {name: x / 4 for name, x in sounds.items()})

    assert 3 == len(clear(loud))
    np.testing.assert_array_equal(clear(loud), clear(soft))
    # levels are kept in half precision
    np.testing.assert_allclose(loud.rise_db[loud.rise_db > 5], soft.rise_db[soft.rise_db > 5], atol=0.1)


def test_a_loud_hit_elsewhere_changes_no_row(tmp_path: Path) -> None:
    """With the noise known, a loud stroke added a quarter of a second away leaves every other candidate's row as it
    was.
    """
    hits = [(0.5, -20.0), (1.0, -38.0), (2.0, -26.0)]
    scans, takes = [], []
    for name in ("without", "with"):
        sounds = mics(3, hits, -80)
        for x in sounds.values() if name == "with" else ():
            add(x, round(1.75 * RATE), strike(99, 0.015, seconds=0.15))
        takes.append(take_of(tmp_path / name, sounds, ROLES))
        scans.append(scan_take(tmp_path / name, takes[-1]))
    without = onsets.detect(scans[0], takes[0])
    added = onsets.detect(replace(scans[1], noise_db=scans[0].noise_db), takes[1])
    same = np.abs(added.frame - 1.83 * RATE) > 0.09 * RATE  # outside the sound that was added
    kept = np.abs(without.frame - 1.83 * RATE) > 0.09 * RATE

    assert_found([0.5, 1.0, 2.0], without)
    assert_found([0.5, 1.0, 1.75, 2.0], added)
    np.testing.assert_array_equal(without.frame[kept], added.frame[same])
    np.testing.assert_array_equal(without.rise_db[kept], added.rise_db[same])
    np.testing.assert_array_equal(without.mic_rise_db[kept], added.mic_rise_db[same])


# ---------------------------------------------------------------------------------------------------- what is not found


def test_steady_noise_holds_no_hit(tmp_path: Path) -> None:
    """Ten seconds of noise alone give no candidate at all, at any level, once the take has begun."""
    for level in (-90.0, -40.0):
        found = found_in(tmp_path / str(level), mics(10, [], level))

        assert 0 == (found.frame > 0.02 * RATE).sum()
        assert 0 == len(clear(found, 8.0))


def test_silence_holds_no_hit(tmp_path: Path) -> None:
    """Digital silence gives an empty table of the right shapes."""
    found = found_in(tmp_path, {name: np.zeros(RATE) for name in "abcd"})

    assert (0,) == found.frame.shape
    assert (0, 4) == found.mic_rise_db.shape


@pytest.mark.parametrize("hertz", [(180.0,), (5100.0, 7300.0), (320.0, 327.0)])
def test_a_ring_holds_no_hit(tmp_path: Path, hertz: tuple[float, ...]) -> None:
    """A tone that only decays, two that beat included, is one candidate where it begins and none later."""
    sounds = mics(5, [(0.5, -3)], -85)
    time = np.arange(4 * RATE) / RATE
    ring = np.exp(-time / 0.4) * np.mean([np.sin(2 * np.pi * h * time) for h in hertz], axis=0)
    for x in sounds.values():
        add(x, RATE // 2, ring, -6)

    assert_found([0.5], found_in(tmp_path, sounds))


def test_a_swell_holds_no_hit(tmp_path: Path) -> None:
    """Noise that comes up by 40 dB over two seconds is no stroke."""
    sounds = {name: noise(4 * RATE, -80, seed) for seed, name in enumerate("abcd")}
    for x in sounds.values():
        x[RATE : 3 * RATE] *= 10 ** (np.linspace(0, 40, 2 * RATE) / 20)
        x[3 * RATE :] *= 100

    assert 0 == len(clear(found_in(tmp_path, sounds)))


def test_a_take_may_end_in_mid_ring(tmp_path: Path) -> None:
    """A recording cut off while a drum still rings, and a tone sounds at full level, holds no hit where it ends."""
    sounds = {name: x[: round(1.1037 * RATE)] for name, x in mics(2, [(0.5, -3)], -85).items()}
    time = np.arange(RATE) / RATE
    for x in sounds.values():
        add(x, RATE // 2, np.sin(2 * np.pi * 210 * time) * np.exp(-time / 2), -6)

    assert_found([0.5], found_in(tmp_path, sounds))


def test_a_take_may_begin_in_mid_ring(tmp_path: Path) -> None:
    """A recording that begins while something sounds holds no hit at its start; a stroke 30 ms later is one."""
    for level in (-60.0, -20.0):
        sounds = mics(2, [(0.03, level + 30), (1.0, level + 30)], level)
        time = np.arange(2 * RATE) / RATE
        for x in sounds.values():
            add(x, 0, np.cos(2 * np.pi * 210 * time) * np.exp(-time / 2), level)

        assert_found([0.03, 1.0], found_in(tmp_path / str(level), sounds))


def test_the_first_windows_are_no_rise(tmp_path: Path) -> None:
    """A recording that begins in a cymbal's wash holds no candidate while it only fades, its first windows included,
    though they hold half of nothing.
    """
    sounds = mics(2, [(1.5, -6)], -85)
    fade = np.exp(-np.arange(2 * RATE) / RATE / 0.3)
    sounds = {name: x + fade * noise(len(x), -30, 70 + seed) for seed, (name, x) in enumerate(sounds.items())}

    found = found_in(tmp_path, sounds)

    assert found.frame.min() > 0.03 * RATE
    assert_found([1.5], found)


def test_ignored_stretches_hold_no_hit(tmp_path: Path) -> None:
    """A stroke in a stretch that session.toml ignores is not found; the strokes around it are."""
    sounds = mics(3, [(0.5, -6), (1.2, -6), (2.0, -6)])

    assert_found([0.5, 2.0], found_in(tmp_path, sounds, ignored=((RATE, round(1.9 * RATE)),)))


# ----------------------------------------------------------------------------------------------------------- which mics


def test_a_trigger_adds_and_never_takes_away(tmp_path: Path) -> None:
    """Two triggers that hear nothing of a soft stroke leave it as it is without them; one that hears a stroke which the
    mics hardly do makes it a candidate.
    """
    sounds = mics(2.0, [(1.0, -60.0)])
    quiet = {f"Trigger {n}": np.random.default_rng(n).normal(0, 1e-5, len(next(iter(sounds.values())))) for n in (1, 2)}
    roles = (*ROLES, Role.TRIGGER, Role.TRIGGER)
    without = found_in(tmp_path / "without", sounds)
    silent = found_in(tmp_path / "silent", {**sounds, **quiet}, roles)
    assert_found([1.0], without, -60.0)
    assert without.frame.tolist() == [f for f in silent.frame.tolist() if f in without.frame.tolist()]

    buried = mics(2.0, [])
    own = mics(2.0, [(1.0, -20.0)])
    heard = {"Trigger 1": next(iter(own.values())), "Trigger 2": quiet["Trigger 2"]}
    assert_heard([1.0], found_in(tmp_path / "heard", {**buried, **heard}, roles))


def roles_of(*roles: Role) -> Take:
    """A take of mics that have nothing but a role."""
    return Take("one", RATE, RATE, "PCM_24", tuple(Mic(f"{n}", role) for n, role in enumerate(roles)))


@pytest.mark.parametrize(("roles", "expected"), [
    ((Role.CLOSE, Role.OVERHEAD, Role.ROOM, Role.BUS, Role.TALK), (1, 1, 0, 0, 0)),
    ((Role.CLOSE, Role.TRIGGER, Role.ROOM, Role.IGNORE), (1, 1, 0, 0)),
    ((Role.CLOSE, Role.ROOM, Role.BUS), (1, 1, 0)),
    ((Role.ROOM, Role.ROOM, Role.TALK), (1, 1, 0)),
    ((Role.BUS, Role.BUS, Role.TALK), (1, 1, 0)),
])
def test_hits_are_looked_for_in_the_near_mics(roles: tuple[Role, ...], expected: tuple[int, ...]) -> None:
    """Close mics, overheads and triggers; rooms only where those are fewer than two; buses only where nothing else
    is.
    """
    assert list(expected) == onsets.near_mics(roles_of(*roles)).astype(int).tolist()


def test_silent_mics_are_no_near_mics() -> None:
    """A mic without sound is not counted: with one close mic left, the room is listened to."""
    take = roles_of(Role.CLOSE, Role.CLOSE, Role.ROOM)

    assert [1, 0, 1] == onsets.near_mics(take, np.array([True, False, True])).astype(int).tolist()


def test_what_is_not_listened_to_changes_nothing(tmp_path: Path) -> None:
    """A dead close mic and a room full of late strokes leave the candidates as they were."""
    sounds = mics(2, [(0.5, -6), (1.2, -30)])
    plain = found_in(tmp_path / "plain", sounds)
    room = noise(2 * RATE, -70, 9)
    add(room, round(0.53 * RATE), strike(3), -3)
    more = found_in(tmp_path / "more", {**sounds, "dead": np.zeros(2 * RATE), "room": room},
                    (*ROLES, Role.CLOSE, Role.ROOM))

    assert 2 == len(clear(plain))
    np.testing.assert_array_equal(plain.frame, more.frame)
    np.testing.assert_array_equal(plain.rise_db, more.rise_db)
    assert np.all(more.mic_rise_db[:, 4:] == 0)


# --------------------------------------------------------------------------------------------------------------- events


def test_drums_struck_at_once_are_one_event() -> None:
    """Arrivals less than 15 ms apart are one event, 20 ms and more are two, in whatever order they come."""
    ms = np.array([0, 5, 11, 100, 121, 300, 340])
    first, rise = np.round(ms * RATE / 1000).astype(np.int64), np.full(len(ms), 8.0)
    order = np.array([4, 0, 6, 2, 5, 1, 3])
    rows = onsets.merge_events(first, rise, RATE)
    shuffled = order[onsets.merge_events(first[order], rise[order], RATE)]

    assert [0, 100, 121, 300, 340] == ms[rows].tolist()
    assert [0, 100, 121, 300, 340] == ms[shuffled].tolist()


def test_the_louder_stands_for_an_event_that_a_faint_one_began() -> None:
    """A forerunner far fainter than the stroke 6 ms after it is no event: the stroke's row stands."""
    first = np.array([0, round(0.006 * RATE)])

    assert [1] == onsets.merge_events(first, np.array([1.0, 12.0]), RATE).tolist()
    assert [0] == onsets.merge_events(first, np.array([3.0, 12.0]), RATE).tolist()


def test_echoes_do_not_end_a_stroke() -> None:
    """The next stroke of a hit is the next comparable one: what is many times fainter is its own echo or buzz."""
    frame = np.array([0, 2000, 4000, 48000, 96000])
    later = onsets.next_strong(frame, np.array([12.0, 1.0, 1.2, 11.0, 10.0]))

    assert 48000 == later[0]
    assert 96000 == later[3]
    assert later[4] > 10**9


def test_of_no_candidates_there_is_no_event() -> None:
    """An empty table stays one."""
    nothing = np.zeros(0, np.int64)

    assert 0 == len(onsets.merge_events(nothing, np.zeros(0), RATE))
    assert 0 == len(onsets.next_strong(nothing, np.zeros(0)))


def test_a_ghost_note_is_ended_by_anything_louder() -> None:
    """A soft stroke's time ends where a harder one begins."""
    assert 2000 == onsets.next_strong(np.array([0, 2000]), np.array([2.0, 12.0]))[0]


# --------------------------------------------------------------------------------------------------------- forerunners


@pytest.mark.parametrize("ahead_s", [0.009, 0.012, 0.0155])
def test_an_event_begins_with_its_first_stroke_however_soft(tmp_path: Path, ahead_s: float) -> None:
    """A stroke 25 dB softer and as far ahead as one event reaches is where the event begins, to 4 ms."""
    take = take_of(tmp_path, mics(2.0, [(1.0 - ahead_s, -35), (1.0, -10)]), ROLES)

    begin = onsets.forerunners(scan_take(tmp_path, take), np.ones(4, bool), np.array([RATE], np.int64))

    assert abs((1.0 - ahead_s) - float(begin[0]) / RATE) <= 0.004


@pytest.mark.parametrize("other_s", [None, 0.025, 0.5, 1.012, 1.4])
def test_a_stroke_that_nothing_goes_ahead_of_begins_where_it_arrives(tmp_path: Path, other_s: float | None) -> None:
    """A stroke alone, one soon after an equal one, and one that a softer one follows have no forerunner."""
    at = [1.0] if other_s is None else [1.0 - other_s, 1.0] if other_s < 1 else [1.0, other_s]
    take = take_of(tmp_path, mics(2.0, [(s, -10 if s <= 1.0 else -30) for s in at]), ROLES)
    first = np.array([round(s * RATE) for s in at if s <= 1.0], np.int64)

    begin = onsets.forerunners(scan_take(tmp_path, take), np.ones(4, bool), first)

    assert [-1] * len(first) == begin.tolist()


def test_where_no_mic_is_near_nothing_goes_ahead(tmp_path: Path) -> None:
    """Without a mic to listen to there is no forerunner, and at the very start of a take there is room for none."""
    take = take_of(tmp_path, mics(1.0, [(0.5, -10)]), ROLES)
    scan = scan_take(tmp_path, take)

    assert [-1] == onsets.forerunners(scan, np.zeros(4, bool), np.array([RATE // 2], np.int64)).tolist()
    assert [-1] == onsets.forerunners(scan, np.ones(4, bool), np.array([0], np.int64)).tolist()
