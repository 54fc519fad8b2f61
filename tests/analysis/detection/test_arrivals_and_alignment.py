"""Align: first arrivals to the frame, delays over the mics, and attacks between frames."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from stage_inputs import RATE, add, noise, strike, take_of

from oneshot.analysis.detection import arrivals as find_arrivals
from oneshot.analysis.measurement import alignment, attacks
from oneshot.analysis.records import Arrivals, Onsets
from oneshot.audio.io import TakeReader
from oneshot.core.air import speed_of_sound
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Floats, Floats32, Frames

SPEED = 343.2
"""Speed of sound in dry air at 20 °C, m/s: ISO 9613-1:1993, from memory."""


def window(at: int, stroke: Floats, ring_db: float = -200.0, rate: int = RATE) -> Floats:
    """What ``trace_onset`` is given: a stroke at frame ``at``, over a ring that was there before."""
    time = np.arange(round(0.12 * rate)) / rate
    x = 10 ** (ring_db / 20) * np.sin(2 * np.pi * 310 * time)
    add(x, at, stroke)
    return x


def followed(x: Floats, rate: int = RATE) -> tuple[int, float]:
    """Frame and depth of a window in which something is found."""
    found = find_arrivals.trace_onset(x.astype(np.float32), rate, ahead_s=find_arrivals.SEARCH_AHEAD_NEAR_S,
                                      until_next=10**9)

    assert found is not None
    return found


# ----------------------------------------------------------------------------------------------------- one mic, one hit


@pytest.mark.parametrize("rate", [44100, 48000, 96000, 192000])
def test_an_onset_out_of_silence_is_read_to_the_frame(rate: int) -> None:
    """A stroke that begins at its peak is read at its very first frame, all 30 dB deep."""
    at = round((find_arrivals.QUIET_S + find_arrivals.SEARCH_BACK_S) * rate) + 11

    frame, depth = followed(window(at, strike(1, rate=rate), rate=rate), rate)

    assert at == frame
    assert 30.0 == pytest.approx(depth)


def test_an_onset_is_where_the_sound_passes_minus_30_db() -> None:
    """On a straight rise of 100 frames to the peak the onset is the fourth frame: 10^(-30/20) is 0.0316 of the peak."""
    rise = np.concatenate([np.arange(101) / 100, np.linspace(1, 0, 9600)])

    frame, _ = followed(window(1000, rise))

    assert 1004 == frame


def test_polarity_and_level_do_not_move_an_onset() -> None:
    """The same stroke inverted, or 50 dB softer, begins at the same frame."""
    plain = window(1000, strike(2))

    assert followed(plain) == followed(-plain)
    assert followed(plain)[0] == followed(plain * 10 ** (-50 / 20))[0]


@pytest.mark.parametrize("ring_db", [-50.0, -26.0, -18.0, -14.0])
def test_depth_says_how_far_the_sound_stood_clear(ring_db: float) -> None:
    """Over a ring the sound is followed to somewhat above that ring, never below it or before its true start."""
    frame, depth = followed(window(1000, strike(3), ring_db))

    assert 1000 <= frame < 1000 + 0.001 * RATE
    assert depth <= min(30.0, -ring_db) + 1e-9
    assert depth >= min(30.0, -ring_db - 8)


def test_a_buried_stroke_is_told_to_be_buried() -> None:
    """Where what rang before is as loud as the stroke, nothing is found, or next to no depth is claimed."""
    for ring_db in (3.0, 0.0, -3.0):
        found = find_arrivals.trace_onset(window(1000, strike(4), ring_db).astype(np.float32), RATE,
                                          ahead_s=find_arrivals.SEARCH_AHEAD_NEAR_S, until_next=10**9)

        assert found is None or found[1] < find_arrivals.USABLE_DEPTH_DB


def test_silence_has_no_onset() -> None:
    """A window of digital black gives nothing."""
    assert find_arrivals.trace_onset(np.zeros(6000, np.float32), RATE, ahead_s=0.012, until_next=10**9) is None


# ------------------------------------------------------------------------------------------------ many mics, many hits


def arrivals_of(folder: Path, lags: list[int], starts: list[int], *, floor: float = -110.0) -> Arrivals:
    """First arrivals of strokes at ``starts`` that reach the mics ``lags`` later; candidates lie a little off."""
    frames = starts[-1] + RATE
    mics = {f"mic {m}": noise(frames, floor, 50 + m) for m in range(len(lags))}
    for k, at in enumerate(starts):
        for lag, x in zip(lags, mics.values(), strict=True):
            add(x, at + lag, strike(k), -6.0 - 3 * (k % 4))
    take = take_of(folder, mics, [Role.CLOSE] * (len(lags) - 1) + [Role.ROOM])
    off = np.array([0, 130, -120, 60] * len(starts))[: len(starts)]
    onsets = Onsets(take.name, np.array(starts) + min(lags) + off, np.full(len(starts), 20.0),
                    np.full((len(starts), len(lags)), 20.0))
    near = np.array([True] * (len(lags) - 1) + [False])
    with TakeReader(folder, take) as reader:
        return find_arrivals.first_arrivals(reader, take, onsets, near)


def test_arrivals_are_read_in_every_mic(tmp_path: Path) -> None:
    """A drum 0.1, 1 and 2.5 m from three mics and 7 m from a room is heard there to the frame, hit by hit."""
    lags = [round(metres / SPEED * RATE) for metres in (0.1, 1.0, 2.5, 7.0)]
    starts = [30_001 + 40_000 * k for k in range(6)]

    found = arrivals_of(tmp_path, lags, starts)

    np.testing.assert_array_equal(np.add.outer(starts, lags), found.frame)
    np.testing.assert_array_equal(np.array(starts) + lags[0], found.first)
    np.testing.assert_allclose(np.array(lags) - lags[0], found.lag)
    np.testing.assert_allclose(30.0, found.depth_db)


def test_the_first_mic_need_not_come_first(tmp_path: Path) -> None:
    """The earliest arrival counts, whichever mic hears it; a mic that hears nothing changes nothing."""
    found = arrivals_of(tmp_path, [300, 25, 140, 500], [40_000, 90_000, 150_000])

    np.testing.assert_array_equal([40_025, 90_025, 150_025], found.first)
    np.testing.assert_allclose([275, 0, 115, 475], found.lag)


def test_a_take_without_candidates_has_no_arrivals(tmp_path: Path) -> None:
    """No candidate, no row, and no lag."""
    take = take_of(tmp_path, {"a": noise(RATE, -60, 1)}, [Role.CLOSE])
    none = Onsets(take.name, np.zeros(0, np.int64), np.zeros(0), np.zeros((0, 1)))
    with TakeReader(tmp_path, take) as reader:
        found = find_arrivals.first_arrivals(reader, take, none, np.array([True]))

    assert ((0,), (0, 1)) == (found.first.shape, found.frame.shape)
    assert [0.0] == found.lag.tolist()


# ------------------------------------------------------------------------------------------------------- delay patterns


def test_a_delay_is_where_most_readings_agree() -> None:
    """Readings of another stroke, all earlier, do not move a delay, even where they are nearly half of all."""
    true = 137.0 + np.array([0.0, 0.5, -0.5, 0.0, 1.0, -1.0])
    middle, spread, count = find_arrivals.most_agreed(np.concatenate([true, [-300.0, -120.0, 20.0, 60.0, 61.0]]), 28.0)

    assert (137.0, 6) == (middle, count)
    assert spread <= 1.0


def test_of_two_equal_crowds_the_later_counts() -> None:
    """Other strokes only ever come before a drum's own, so of equally many readings the later ones are right."""
    assert 2.0 == find_arrivals.most_agreed(np.array([1.0, 1.0, 2.0, 2.0]), 0.1)[0]


def test_one_reading_is_a_delay() -> None:
    """A single reading stands for itself."""
    assert (42.0, 0.0, 1) == find_arrivals.most_agreed(np.array([42.0]), 28.0)


def test_only_clear_arrivals_say_how_late_a_mic_is() -> None:
    """Arrivals in ms after the earliest one where the hit stands clear; elsewhere they are not known."""
    found = find_arrivals.clear_delays_ms(clear_hits([[48_000, 48_048, 48_480]], [[30, 30, 3]]), 48_000)

    assert [0.0, 1.0] == found[0, :2].tolist()
    assert np.isnan(found[0, 2])


def clear_hits(frame: list[list[int]], depth: list[list[float]]) -> Arrivals:
    """Arrivals of hits, row by row."""
    frames, depths = np.array(frame, np.int64), np.array(depth)
    return Arrivals("one", frames.min(axis=1), frames, depths, np.zeros(frames.shape[1]))


def settled(arrivals: Arrivals, delay: list[float], tolerance: float = 24.0) -> tuple[Frames, Floats]:
    """Onsets and confidence of all the hits, the first mic being their home."""
    rows = np.arange(len(arrivals.first))
    return alignment.settle(arrivals, rows, np.array(delay), tolerance, home=0)


def test_a_clear_reading_has_the_last_word() -> None:
    """A mic that hears the hit all 30 dB clear keeps its reading near the pattern, and is sure of it."""
    out, confidence = settled(clear_hits([[1000, 1145, 1480]], [[30, 30, 30]]), [0, 140, 480])

    assert [1000, 1145, 1480] == out[0].tolist()
    np.testing.assert_allclose(1.0, confidence)


def test_a_buried_mic_follows_the_pattern() -> None:
    """Where a mic hears nothing clear, the onset stands where the drum's delay puts it, with less confidence."""
    out, confidence = settled(clear_hits([[1000, 1003, -1]], [[30, 4, np.nan]]), [0, 140, 480])

    assert [1000, 1140, 1480] == out[0].tolist()
    assert 0 < confidence[0, 1] < confidence[0, 0]
    assert 0 < confidence[0, 2] < confidence[0, 0]


def test_another_strokes_arrival_is_not_taken() -> None:
    """A clear reading 20 ms off the pattern belongs to another stroke; the pattern answers instead."""
    out, _ = settled(clear_hits([[1000, 140 + 1000 + 960, 1480]], [[30, 25, 30]]), [0, 140, 480])

    assert [1000, 1140, 1480] == out[0].tolist()


def test_a_softer_stroke_just_before_does_not_begin_a_hit_far_off() -> None:
    """Where the home mic is clear, an overhead that is clear as well but hears something 1.5 ms ahead of the pattern,
    further than any place on a drum moves it, is answered by the pattern; 0.9 ms off it keeps its reading.
    """
    out, _ = settled(clear_hits([[1000, 1140 - 72, 1480 - 43]], [[30, 30, 30]]), [0, 140, 480])

    assert [1000, 1140, 1480 - 43] == out[0].tolist()


def test_a_buried_home_mic_is_found_by_the_others() -> None:
    """Two overheads that hear a hit clear tell when it reached the home mic."""
    out, _ = settled(clear_hits([[700, 1140, 1480]], [[2, 30, 30]]), [0, 140, 480])

    assert [1000, 1140, 1480] == out[0].tolist()


def test_what_nothing_tells_is_left_open() -> None:
    """No clear reading and no known delay give -1 and no confidence, never a made-up frame."""
    out, confidence = settled(clear_hits([[1000, 900, -1], [-1, -1, -1]], [[30, 2, np.nan], [np.nan] * 3]),
                              [0, np.nan, np.nan])

    assert [[1000, -1, -1], [-1, -1, -1]] == out.tolist()
    assert 0.0 == confidence[0, 1] == confidence[1, 0]


# ---------------------------------------------------------------------------------------------- a drum in its own mic

LEAD = round(find_arrivals.QUIET_S * RATE)


def own_mic(own_at: int, other_at: int | None = None, other_db: float = -24.0, rise_ms: float = 0.0) -> Floats32:
    """A drum's own close mic: its stroke, which rises for so long, and another drum's, far softer."""
    x = np.zeros(RATE // 10)
    time = np.arange(len(x)) / RATE
    rise = np.minimum(1.0, time / max(rise_ms / 1000, 1 / RATE))
    add(x, own_at, rise * np.exp(-time / 0.02) * np.sin(2 * np.pi * 200 * time))
    if other_at is not None:
        add(x, other_at, np.exp(-time / 0.02) * np.sin(2 * np.pi * 5000 * time), other_db)
    return x.astype(np.float32)


def climbs_of(*sounds: Floats32) -> list[Floats]:
    """How each of some sounds climbs, seconds."""
    return [alignment.attack_curve(x, LEAD - 100, RATE) / RATE for x in sounds]


SOFT_BEATER = 4.0
"""Rise in ms of the drum whose usual climb is known here."""


def usual_climb() -> tuple[Floats, Floats]:
    """What four clear strokes of a drum with a soft beater tell, and a fifth with a hat 9 ms before it."""
    clear = [own_mic(LEAD + n, rise_ms=SOFT_BEATER) for n in range(4)]
    found = alignment.typical_attack(climbs_of(*clear, own_mic(LEAD + 9 * RATE // 1000, LEAD, rise_ms=SOFT_BEATER)))

    assert found is not None
    return found


@pytest.mark.parametrize("apart_ms", [2, 5, 8, 10, 14])
def test_another_drums_onset_is_not_taken_for_the_own(apart_ms: int) -> None:
    """A hat shortly before a drum, 24 dB down in the drum's mic, is passed over: where it rises as usual, the drum's
    own onset is found to 0.5 ms, less deep than out of silence.
    """
    own = LEAD + apart_ms * RATE // 1000
    (alone,) = climbs_of(own_mic(own, rise_ms=SOFT_BEATER))
    (both,) = climbs_of(own_mic(own, LEAD, rise_ms=SOFT_BEATER))

    found = alignment.own_onset(both, usual_climb(), own_mic=True)

    assert found is not None
    assert alone[0] == pytest.approx(found[0], abs=0.0005)
    assert 0 < found[1] < 30


def test_a_drum_nobody_knows_rises_within_7_ms() -> None:
    """Without a usual climb a hat 10 ms before a drum is passed over, and a soft beater's slow rise is not."""
    own = LEAD + RATE // 100
    (both,), (slow,) = climbs_of(own_mic(own, LEAD)), climbs_of(own_mic(own, rise_ms=6.0))

    assert own / RATE == pytest.approx((alignment.own_onset(both, None, own_mic=True) or (0, 0))[0], abs=0.0005)
    assert (slow[0], 30.0) == alignment.own_onset(slow, None, own_mic=True)


@pytest.mark.parametrize("late", [0, 40, 200])
def test_a_right_onset_is_told_again(late: int) -> None:
    """Where nothing came before, the onset is where -30 dB of the peak is passed; silence has none."""
    (found,) = climbs_of(own_mic(LEAD + late, rise_ms=SOFT_BEATER))

    assert (found[0], 30.0) == alignment.own_onset(found, usual_climb(), own_mic=True)
    assert alignment.own_onset(climbs_of(np.zeros(4800, np.float32))[0], usual_climb(), own_mic=True) is None


def test_too_few_strokes_tell_no_climb() -> None:
    """Two strokes, or none, are no habit."""
    assert alignment.typical_attack([]) is None
    assert alignment.typical_attack(climbs_of(own_mic(LEAD), own_mic(LEAD + 5))) is None


# ---------------------------------------------------------------------------------------------------- metres and spread


@pytest.mark.parametrize(("air_c", "speed"), [(0, 331.29), (10, 337.30), (15, 340.26), (20, 343.20), (25, 346.11),
                                              (30, 349.00)])
def test_sound_is_as_fast_as_published(air_c: float, speed: float) -> None:
    """Speeds in dry air by ISO 9613-1:1993, m/s; and within 0.2 % of 331.3 + 0.606·T (handbooks, from memory)."""
    assert speed == pytest.approx(speed_of_sound(air_c), abs=0.01)
    assert 331.3 + 0.606 * air_c == pytest.approx(speed_of_sound(air_c), rel=0.002)


def test_spread_is_one_standard_deviation() -> None:
    """The 16th and 84th percentile of a normal distribution lie one standard deviation off (0.1 ms); what is further
    than 0.6 ms away is another stroke's and neither counts nor widens it; a single reading has no spread.
    """
    delays = np.r_[0.004 + 0.0001 * np.random.default_rng(1).standard_normal(4000), np.full(50, 0.009)]

    wide, count = find_arrivals.spread(delays, 0.004)

    assert 0.0001 == pytest.approx(wide, rel=0.05)
    assert 4000 == count
    assert (None, 1) == find_arrivals.spread(np.array([0.004, 0.009]), 0.004)


# ------------------------------------------------------------------------------------------------------------- polarity


def pairs_of(signs: list[int], floor: float = 0.05) -> list[tuple[Floats32, Floats32]]:
    """Home mic and another one of some hits, the other a few frames late, softer and with noise of its own."""
    out = []
    for k, sign in enumerate(signs):
        rng = np.random.default_rng(k)
        time = np.arange(round(alignment.POLARITY_S * RATE)) / RATE
        home = np.sin(2 * np.pi * 220 * time) * np.exp(-time / 0.004) + floor * rng.standard_normal(len(time))
        other = 0.3 * sign * np.roll(home, 4) + 0.3 * floor * rng.standard_normal(len(time))
        out.append((home.astype(np.float32), other.astype(np.float32)))
    return out


@pytest.mark.parametrize("sign", [1, -1])
def test_an_inverted_mic_is_known_by_its_hits(sign: int) -> None:
    """A mic that moves against the home mic in every hit is inverted; one odd hit among six does not change that."""
    assert sign == alignment.polarity(pairs_of([sign] * 5), RATE)
    assert sign == alignment.polarity(pairs_of([*[sign] * 5, -sign]), RATE)


def test_polarity_is_not_guessed() -> None:
    """Hits that do not agree, one hit alone, silence or none at all tell nothing."""
    silence = np.zeros(round(alignment.POLARITY_S * RATE), np.float32)

    assert alignment.polarity(pairs_of([1, -1, 1, -1]), RATE) is None
    assert alignment.polarity(pairs_of([1]), RATE) is None
    assert alignment.polarity([(silence, silence)] * 3, RATE) is None
    assert alignment.polarity([], RATE) is None


# -------------------------------------------------------------------------------------------------------------- attacks


def shifted(seed: int, moves: list[float], levels: list[float], floor: float = 0.0) -> list[Floats32]:
    """One attack, band-limited, moved by fractions of a frame; each at its own level, with noise of its own."""
    size = round((attacks.ATTACK_BACK_S + attacks.ATTACK_AHEAD_S) * RATE)
    long = 4096
    x = np.zeros(long)
    add(x, 1000, strike(seed, 0.002, seconds=0.05))
    spectrum = np.fft.rfft(x) * (np.fft.rfftfreq(long, 1 / RATE) < 9000)
    start = 1000 - round(attacks.ATTACK_BACK_S * RATE)
    out = []
    for n, (move, level) in enumerate(zip(moves, levels, strict=True)):
        ramp = np.exp(-2j * np.pi * np.fft.rfftfreq(long) * move)
        moved = np.fft.irfft(spectrum * ramp, long)[start : start + size] * level
        out.append((moved + floor * level * np.random.default_rng(n).standard_normal(size)).astype(np.float32))
    return out


@pytest.mark.parametrize(("floor", "limit"), [(0.0, 0.1), (0.01, 0.25)])
def test_attacks_are_told_between_frames(floor: float, limit: float) -> None:
    """Alternates moved by fractions of a frame are told apart to a tenth of a frame, whatever their strength."""
    moves = [0.0, 0.25, -0.5, 3.5, -7.25, 0.75, 0.0]

    found = attacks.aligned(shifted(5, moves, [1.0, 0.3, 0.05, 0.7, 0.9, 0.01, 0.5], floor), RATE)

    np.testing.assert_allclose(np.array(moves) - np.median(moves), found, atol=limit)
    assert 0.0 == pytest.approx(np.median(found))


def test_one_attack_alone_is_where_it_is() -> None:
    """A group of one has nothing to be lined up with; a group of none is none."""
    assert [0.0] == attacks.aligned(shifted(6, [2.0], [1.0]), RATE).tolist()
    assert 0 == len(attacks.aligned([], RATE))


def test_silent_pieces_do_no_harm() -> None:
    """A piece of digital black among the others leaves them where they are."""
    pieces = [*shifted(7, [0.0, 1.0, -1.0], [1.0, 1.0, 1.0]), np.zeros(480, np.float32)]
    found = attacks.aligned(pieces, RATE)

    assert np.isfinite(found).all()
    np.testing.assert_allclose([0.0, 1.0, -1.0], found[:3] - found[0], atol=0.1)
