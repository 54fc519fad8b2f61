"""Features: what mics hear of a hit, and distances that are blind to what they must be blind to."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from stage_inputs import BANDS, RATE, STRETCHES, add, heard, noise, scan_take, strike, take_of, templates

from oneshot.analysis.records import HitFeatures, mean_squares
from oneshot.analysis.sorting import features
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Floats

MICS = 6
ROWS = np.arange(2)


def place_of(seed: int, spread_db: float = 9.0) -> Floats:
    """Gains in dB (mics, bands) from one place in the room to the mics."""
    return np.random.default_rng(seed).uniform(-spread_db, 0, (MICS, BANDS))


def sound_of(seed: int) -> Floats:
    """Levels in dB (bands, stretches) of one stroke: its spectrum and its decay."""
    rng = np.random.default_rng(1000 + seed)
    return np.asarray(rng.uniform(-25, 0, (BANDS, 1)) - rng.uniform(2, 6, (BANDS, 1)) * np.arange(STRETCHES))


def energy(place_db: Floats, sound_db: Floats, strength_db: float = 0.0) -> Floats:
    """Energies (mics, bands, stretches) of a stroke at a place."""
    return np.asarray(10 ** ((place_db[:, :, None] + sound_db[None] + strength_db) / 10))


def apart(*strokes: Floats, floor: float = 1e-12) -> tuple[Floats, Floats]:
    """Place and sound distance between strokes."""
    return features.distances_db(heard(np.stack(strokes), floor), np.arange(len(strokes)))


# ---------------------------------------------------------------------------------------------------------------- place


@pytest.mark.parametrize("strength_db", [0.0, -12.0, -30.0])
def test_place_is_blind_to_the_stroke(strength_db: float) -> None:
    """Two strokes at one place are at no distance in place, whatever their spectrum, decay and strength."""
    here = place_of(1)

    place, sound = apart(energy(here, sound_of(1)), energy(here, sound_of(2), strength_db))

    assert 0.0 == pytest.approx(place[0, 1], abs=0.01)
    assert sound[0, 1] > 3.0


def test_place_says_how_far_apart_two_drums_are() -> None:
    """Half of the mics 4 dB up and half of them 4 dB down is a distance of 4 dB, in whatever band."""
    here, sound = place_of(2), sound_of(3)
    tilt = np.where(np.arange(MICS)[:, None] % 2 == 0, 4.0, -4.0)

    place, _ = apart(energy(here, sound), energy(here + tilt, sound))

    assert 4.0 == pytest.approx(place[0, 1], abs=0.02)


def test_a_preamp_does_not_part_two_hits() -> None:
    """The gain of a mic is the same for all hits: turning one up changes no distance."""
    one, two = energy(place_of(3), sound_of(4)), energy(place_of(4), sound_of(5))
    up = 10 ** (np.array([0, 20, 0, -10, 0, 0]) / 10)[:, None, None]

    before, after = apart(one, two), apart(one * up, two * up)

    np.testing.assert_allclose(before[0], after[0], atol=0.02)
    np.testing.assert_allclose(before[1], after[1], atol=0.02)


# ---------------------------------------------------------------------------------------------------------------- sound


def test_sound_is_blind_to_strength_and_distance() -> None:
    """A stroke 20 dB softer, or heard over other mic gains alike in all bands, is no other sound."""
    here, sound = place_of(5), sound_of(6)
    gains = np.linspace(-5, 5, MICS)[:, None]

    _, softer = apart(energy(here, sound), energy(here, sound, -20.0))
    _, elsewhere = apart(energy(here, sound), energy(here + gains, sound))

    assert 0.0 == pytest.approx(softer[0, 1], abs=0.01)
    assert 0.0 == pytest.approx(elsewhere[0, 1], abs=0.01)


def test_a_longer_ring_is_another_sound() -> None:
    """Strokes of one attack and unlike decay differ in sound and not in place: an open hat and a closed one."""
    here = place_of(6)
    closed = sound_of(7)
    opened = closed[:, :1] + 0.3 * (closed - closed[:, :1])

    place, sound = apart(energy(here, closed), energy(here, opened))

    assert place[0, 1] < 0.02
    assert sound[0, 1] > 2.0


# ------------------------------------------------------------------------------------------------------------ distances


def test_distances_are_symmetric_and_nought_to_oneself() -> None:
    """A distance is the same both ways, never negative, and nought between a hit and itself."""
    strokes = [energy(place_of(k), sound_of(k), -6.0 * k) for k in range(5)]
    for distance in apart(*strokes, floor=1e-4):  # some levels drown in the noise
        np.testing.assert_allclose(distance, distance.T)
        np.testing.assert_allclose(0.0, np.diag(distance), atol=1e-12)
        assert (distance >= 0).all()
        assert (distance[~np.eye(5, dtype=bool)] > 0).all()


def test_distances_do_not_depend_on_company_or_order() -> None:
    """The distance of two hits is theirs alone."""
    strokes = np.stack([energy(place_of(k), sound_of(k)) for k in range(5)])
    all_of = features.distances_db(heard(strokes), np.arange(5))
    some = features.distances_db(heard(strokes), np.array([3, 1]))
    cut = features.distances_db(features.take_rows(heard(strokes), np.array([3, 1])), ROWS)
    for whole, part, other in zip(all_of, some, cut, strict=True):
        assert whole[3, 1] == pytest.approx(part[0, 1])
        assert whole[3, 1] == pytest.approx(other[0, 1])


def test_what_drowns_in_noise_parts_nothing() -> None:
    """A soft stroke whose upper bands lie under the noise is the same place and sound as a hard one of its kind."""
    here, sound = place_of(8), sound_of(9)
    hard, soft = energy(here, sound), energy(here, sound, -22.0)
    floor = float(np.median(soft))

    place, other = apart(hard, soft, floor=floor)

    assert place[0, 1] < 1.0
    assert other[0, 1] < 1.0


def test_a_missing_sound_that_should_be_heard_counts() -> None:
    """A band that one hit has far above the noise, and the other lacks, is a difference."""
    here, sound = place_of(9), sound_of(10)
    without = sound.copy()
    without[6:] = -200.0

    _, other = apart(energy(here, sound), energy(here, without), floor=1e-7)

    assert other[0, 1] > 3.0


def test_hits_without_a_common_mic_are_strangers() -> None:
    """Two hits of takes that share no mic are as far apart in sound as can be."""
    energies = np.stack([energy(place_of(1), sound_of(1))] * 2)
    valid = np.zeros((2, MICS, STRETCHES), bool)
    valid[0, :3], valid[1, 3:] = True, True

    place, sound = features.distances_db(heard(energies, valid=valid), ROWS)

    assert 0.0 == place[0, 1]
    assert features.LIMIT_DB == sound[0, 1]


def test_kinds_are_held_apart_like_hits() -> None:
    """Templates of one place are near each other in place alone; those of two drums are not; two that share no level
    are strangers.
    """
    one, two = energy(place_of(1), sound_of(1)), energy(place_of(1), sound_of(2))
    other, nothing = energy(place_of(7), sound_of(2)), np.zeros_like(one)
    kinds = templates(one / one.sum(), two / two.sum(), other / other.sum(), nothing)

    place, sound = features.between_db(kinds, np.ones(MICS, bool))

    assert place[0, 1] < 0.01
    assert place[1, 2] > 1.5
    assert sound[0, 1] > 3.0
    assert (features.LIMIT_DB, features.LIMIT_DB) == (place[0, 3], sound[0, 3])
    assert (place == place.T).all()


def test_kinds_that_share_few_levels_are_strangers() -> None:
    """Two kinds known in the same bands are compared; over a dozen levels at least, else they are as far as can be."""
    one, other = energy(place_of(1), sound_of(1)), energy(place_of(1), sound_of(1))
    one[:, 2:], other[:, 1:] = 0.0, 0.0  # both known in one band of six mics and five stretches
    few = other.copy()
    few[:, :, 1:] = 0.0  # and here in its first stretch alone: six levels
    near = np.ones(MICS, bool)

    assert features.between_db(templates(one, other), near)[0][0, 1] < 0.01
    assert features.LIMIT_DB == features.between_db(templates(one, few), near)[0][0, 1]


def test_a_kind_stands_where_its_direct_sound_is() -> None:
    """Levels of the first stretch, summed over the bands, against their mean over the near mics: 12 dB above two
    others is 8 above the mean of the three. Strength and ring do not count.
    """
    direct = np.zeros((4, BANDS, STRETCHES))
    direct[..., 0] = 10 ** (np.array([0.0, -12.0, -12.0, -3.0])[:, None] / 10) / BANDS
    ringing = direct * 0.01
    ringing[1, :, 1:] = 1.0
    near = np.array([True, True, True, False])

    found = features.relative_level_db(templates(direct, ringing), near)

    np.testing.assert_allclose([[8.0, -4.0, -4.0, 5.0]] * 2, found, atol=1e-9)


def test_what_is_hidden_stands_as_high_as_it_may() -> None:
    """A level that was never heard counts as its limit; one without a limit as 60 dB below the kind's highest."""
    kind = templates(np.zeros((3, BANDS, STRETCHES)))
    kind.energy[0, 0, 2, 0], kind.limit[0, 1, 2, 0], kind.limit[0, 2, 2, 1] = 1.0, 0.1, 1e-9

    found = features.relative_level_db(kind, np.array([True, True, True]))[0]

    np.testing.assert_allclose([0.0, -10.0, -60.0], found - found[0], atol=1e-9)


def test_kinds_of_takes_with_different_mics_stand_by_the_mics_they_share() -> None:
    """One stroke, learned with a second close mic and without: it stands equally high in the mics that both have, and
    nothing is said of it where it was not heard.
    """
    whole = np.zeros((4, BANDS, STRETCHES))
    whole[..., 0] = 10 ** (np.array([0.0, 3.0, -12.0, -18.0])[:, None] / 10)
    lacking = whole.copy()
    lacking[1] = 0.0

    found = features.relative_level_db(templates(whole / whole.sum(), lacking / lacking.sum()), np.ones(4, bool))

    np.testing.assert_allclose([[10.0, 13.0, -2.0, -8.0], [10.0, np.nan, -2.0, -8.0]], found, atol=1e-9)


def test_what_may_be_there_is_not_measured() -> None:
    """A level of which most is an upper limit is not measured; one of which most was heard is, whatever else may be in
    it; of nothing at all nothing is.
    """
    kind = templates(np.zeros((4, BANDS, STRETCHES)))
    kind.energy[0, :3, 2, 0] = 1.0
    kind.limit[0, 1:3, 3, 0] = 0.5, 2.0

    assert [[True, True, False, False]] == features.measured(kind).tolist()


# ------------------------------------------------------------------------------------------------------------- the scan


def described(folder: Path, second_at: int | None = None) -> tuple[HitFeatures, int]:
    """Features of a stroke at half a second in a near mic and one 20 ms away, and the stroke's frame."""
    at, lag = RATE // 2, round(0.020 * RATE)
    near, far = noise(2 * RATE, -80, 1), noise(2 * RATE, -70, 2)
    firsts = [at] if second_at is None else [at, second_at]
    for frame in firsts:
        add(near, frame, strike(3, 0.5), -10)
        add(far, frame + lag, strike(3, 0.5), -22)
    take = take_of(folder, {"near": near, "far": far}, (Role.CLOSE, Role.ROOM))
    first = np.array(firsts, np.int64)
    stop = np.array([*firsts[1:], 10**9], np.int64)
    return features.describe(scan_take(folder, take), first=first, stop=stop, lag=np.array([0.0, lag]),
                             mics=("far", "absent", "near"), names=("near", "far")), at


def test_each_mic_is_read_when_the_sound_is_there(tmp_path: Path) -> None:
    """A mic 7 m away is read 20 ms later, so that the stroke's levels differ by its gain, and nothing rings before."""
    found, _ = described(tmp_path)
    total = 10 * np.log10(found.energy[0, [0, 2]].sum(axis=1))  # far and near, (mics, stretches)

    assert ("far", "absent", "near") == found.mics
    np.testing.assert_allclose(12.0, (total[1] - total[0])[1:], atol=0.5)
    np.testing.assert_allclose(1.0, (found.before.sum(axis=2) / np.maximum(found.noise.sum(axis=2), 1e-30))[0, [0, 2]],
                               atol=0.5)


def test_an_absent_mic_says_nothing(tmp_path: Path) -> None:
    """A mic that the take lacks is valid in no stretch and holds no energy."""
    found, _ = described(tmp_path)

    assert not found.valid[0, 1].any()
    assert 0.0 == found.energy[0, 1].sum()
    assert found.valid[0, [0, 2]].all()


def test_a_later_stroke_ends_what_is_valid(tmp_path: Path) -> None:
    """Stretches that a stroke 60 ms later falls into are not this hit's; the first always is."""
    found, _ = described(tmp_path, second_at=RATE // 2 + round(0.060 * RATE))

    assert [True, True, True, False, False] == found.valid[0, 2].tolist()
    assert found.valid[1, 2].all()
    assert found.before[1, 2].sum() > 100 * found.before[0, 2].sum()


def test_takes_are_joined_in_order(tmp_path: Path) -> None:
    """Features of several takes lie one after the other; choosing mics keeps their names."""
    one, _ = described(tmp_path / "one")
    two, _ = described(tmp_path / "two", second_at=RATE)
    joined = features.join([one, two])
    near = features.only(joined, np.array([False, False, True]))

    assert 3 == len(joined.energy)
    np.testing.assert_array_equal(two.energy, joined.energy[1:])
    assert ("near",) == near.mics
    np.testing.assert_array_equal(joined.energy[:, 2:], near.energy)
    np.testing.assert_array_equal(joined.valid[:, 2:], near.valid)


def test_levels_are_looked_up_as_they_would_be_worked_out() -> None:
    """Every float16 level from the floor to full scale gives the mean square that ten to its power is, to the bit."""
    levels = np.arange(2**16, dtype=np.uint16).view(np.float16)
    levels = levels[np.isfinite(levels) & (np.abs(levels) <= 200)]

    assert (10 ** (levels.astype(np.float64) / 10)).tobytes() == mean_squares(levels).tobytes()
