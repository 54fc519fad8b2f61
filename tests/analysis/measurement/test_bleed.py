"""Bleed: energies split between a hit and everything else, and the figures and grades that follow."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from stage_inputs import heard, template, templates

from oneshot.analysis.measurement import bleed
from oneshot.analysis.records import STRETCH_STEPS, HitFeatures, Shares
from oneshot.analysis.sorting import decompose
from oneshot.core import grades
from oneshot.core.records.session import Floats
from oneshot.kit.report.matrices import view_text

MICS = 5
STEPS = np.array([b - a for a, b in STRETCH_STEPS], float)
SNARE, HAT = template(2, MICS, (2, 3, 4, 5), 4.0), template(3, MICS, (7, 8, 9), 3.0)
KNOWN = templates(SNARE, HAT)
FLOOR = 1e-9


def total(energy: Floats) -> Floats:
    """Energy (mics,), as mean square times steps."""
    return np.asarray((energy * STEPS).sum(axis=(-2, -1)))


def split(energy: Floats, gain: list[float], ring: Floats | None = None,
          valid: NDArray[np.bool_] | None = None) -> Shares:
    """The shares of one hit of those strengths, over a ring that was there before."""
    before = np.zeros_like(energy) if ring is None else ring
    features: HitFeatures = heard((energy + before)[None], FLOOR, valid)
    return decompose.shares(features, np.array([gain]), (before + FLOOR)[None], KNOWN)


# --------------------------------------------------------------------------------------------------------------- shares


def test_a_hit_alone_owns_all_but_the_noise() -> None:
    """A stroke in a quiet room: its energy is its own in every mic, everything else is 50 dB down."""
    found = split(SNARE, [1.0, 0.0])

    np.testing.assert_allclose(total(SNARE), found.own[0, 0], rtol=1e-3)
    np.testing.assert_allclose(0.0, found.own[0, 1])
    assert bleed.ratio_db(found.other[0], found.own[0, 0]).max() < -50


def test_a_ring_before_the_hit_is_bleed() -> None:
    """What rang before, 10 dB under the stroke in every level, is everything else: 10 dB below the hit's own."""
    found = split(SNARE, [1.0, 0.0], ring=0.1 * SNARE)

    np.testing.assert_allclose(-10.0, bleed.ratio_db(found.other[0], found.own[0, 0]), atol=0.3)


@pytest.mark.parametrize("level_db", [0.0, -12.0])
def test_two_strokes_share_what_was_heard(level_db: float) -> None:
    """Snare and hat at once: each owns its own energy in each mic, and together they own all of it."""
    gain = [1.0, 10 ** (level_db / 10)]
    found = split(SNARE + gain[1] * HAT, gain)

    np.testing.assert_allclose(total(SNARE), found.own[0, 0], rtol=0.02)
    np.testing.assert_allclose(gain[1] * total(HAT), found.own[0, 1], rtol=0.02)
    np.testing.assert_allclose(0.0, found.other[0], atol=1e-3 * total(SNARE).max())


def test_energies_add_up() -> None:
    """Own, other and noise are what was measured, also where the stroke differed from its template."""
    rough = SNARE * 10 ** (np.random.default_rng(1).normal(0, 1.5, SNARE.shape) / 10)
    found = split(rough, [1.0, 0.0], ring=0.05 * HAT)

    np.testing.assert_allclose(total(rough + 0.05 * HAT), found.own[0].sum(axis=0) + found.other[0], rtol=0.01)


def test_steady_noise_is_no_bleed() -> None:
    """Noise that is always there spoils no hit, even a soft one 6 dB above it."""
    floor = float(SNARE.mean()) / 4
    features = heard(SNARE[None], floor)
    found = decompose.shares(features, np.array([[1.0, 0.0]]), np.full((1, *SNARE.shape), floor), KNOWN)

    assert bleed.ratio_db(found.other[0], found.own[0, 0]).max() < -25


def test_a_later_stroke_in_the_window_is_bleed() -> None:
    """A hard stroke 90 ms later fills the last stretch: own sound there is what the template says, the rest bleed."""
    energy = SNARE.copy()
    energy[..., 4] += SNARE[..., 0]
    valid = np.ones((1, MICS, len(STEPS)), bool)
    valid[..., 4] = False
    found = split(energy, [1.0, 0.0], valid=valid)

    np.testing.assert_allclose(total(SNARE), found.own[0, 0], rtol=0.01)
    np.testing.assert_allclose(SNARE[..., 0].sum(axis=1) * STEPS[4], found.other[0], rtol=0.01)


# -------------------------------------------------------------------------------------------------------------- figures


def test_ratios_are_decibels_of_energy() -> None:
    """A tenth of the energy is -10 dB, as much is 0 dB; silence is floored; without any own sound it is not known."""
    found = bleed.ratio_db(np.array([0.1, 1.0, 0.0, 1.0, 0.0]), np.array([1.0, 1.0, 1.0, 0.0, 0.0]))

    np.testing.assert_allclose([-10.0, 0.0, bleed.LOWEST_DB], found[:3], atol=1e-9)
    assert np.isnan(found[3:]).all()


@pytest.mark.parametrize(("close", "limits"), [(True, {"A": -45.0, "B": -30.0, "C": -20.0}),
                                               (False, {"A": -35.0, "B": -25.0, "C": -20.0})])
def test_grades_change_at_their_limits(close: bool, limits: dict[str, float]) -> None:
    """At a limit the grade still holds, a hundredth of a decibel above it no more (common practice, no source)."""
    for (name, limit), worse in zip(limits.items(), ("B", "C", "D"), strict=True):
        assert name == grades.grade(limit, close)
        assert worse == grades.grade(limit + 0.01, close)
    assert "A" == grades.grade(-80.0, close)
    assert "D" == grades.grade(0.0, close)


def test_what_is_not_known_has_no_good_grade() -> None:
    """A mic in which nothing of the hit is heard is graded D."""
    assert "D" == grades.grade(float("nan"), close=True)


def test_isolated_means_clear_in_every_mic_that_carries_the_hit() -> None:
    """A mic 40 dB below the home mic may be full of other drums; one 10 dB below may not; nor may the home mic."""
    own = np.array([1.0, 0.1, 1e-4])

    assert bleed.isolated(np.array([-40.0, -25.0, 12.0]), own, 0)
    assert not bleed.isolated(np.array([-40.0, -15.0, 12.0]), own, 0)
    assert not bleed.isolated(np.array([-19.0, -40.0, -40.0]), own, 0)
    assert not bleed.isolated(np.array([np.nan, -40.0, -40.0]), own, 0)


# ---------------------------------------------------------------------------------------------------------------- table


def test_the_table_holds_the_median_over_clean_hits() -> None:
    """A snare is 20 dB softer in the kick's mic: hits that a kick spoilt there do not count."""
    rng = np.random.default_rng(4)
    own = 10 ** (rng.uniform(-20, 0, (9, 1)) / 10) * np.array([1.0, 0.01])
    own[:4, 1] *= 300
    other = np.full((9, 2), 1e-8)
    other[:4, 1] = own[:4, 1]

    np.testing.assert_allclose([0.0, -20.0], bleed.table_row(own, other, 0), atol=1e-6)


def test_where_no_hit_is_clean_all_count() -> None:
    """A drum never clean in a mic has a figure all the same; one never heard there has none."""
    own = np.array([[1.0, 0.1, 0.0], [2.0, 0.2, 0.0], [1.0, 0.1, 0.0]])
    row = bleed.table_row(own, own.copy(), 0)

    np.testing.assert_allclose([0.0, -10.0], row[:2], atol=1e-6)
    assert np.isnan(row[2])


# ------------------------------------------------------------------------------------------------------- band by band


def test_the_band_table_tells_each_band_from_hits_that_stand_alone() -> None:
    """A drum 20 dB down in a mic, 5 dB down in its top band: told band by band with spread and count; a hit spoilt in
    one band counts in the others, and a band never clear is not known.
    """
    rng = np.random.default_rng(5)
    own = np.ones((9, 2, 3)) * 10 ** (rng.uniform(-20, 0, (9, 1, 1)) / 10)
    own[:, 1] *= 10 ** (np.array([-20.0, -20.0, -5.0]) / 10)
    other = own * 1e-4
    own[:3, 1, 2], other[:3, 1, 2] = 10.0, 10.0
    other[:, 1, 0] = own[:, 1, 0]
    home, away = bleed.band_row(own, other, 0)

    np.testing.assert_allclose([0.0, 0.0, 0.0], [float(v or 0) for v in home.bands_db], atol=1e-9)
    assert away.bands_db[0] is None
    np.testing.assert_allclose([-20.0, -5.0], [float(v or 0) for v in away.bands_db[1:]], atol=1e-6)
    assert 9 == home.hits
    assert 0.0 == pytest.approx(home.spread_db or 0.0, abs=1e-6)


def test_a_drum_that_never_plays_alone_has_no_bands() -> None:
    """Everything else as loud as the drum in every hit: nothing is told, neither level nor spread, from no hit."""
    own = np.ones((5, 2, 3))
    row = bleed.band_row(own, own, 0)[1]

    assert (None, None, None) == row.bands_db
    assert row.spread_db is None
    assert 0 == row.hits


def test_a_mic_view_names_the_band_in_which_the_other_drum_stands_out() -> None:
    """A hard hat 17 dB below a hard snare in its mic, 3 dB above it in the top bands, is told so."""
    snare = np.array([0.0, 0, 0, 0, 0, 0, -20, -20, -20])
    hat = np.array([-60.0, -60, -60, -60, -60, -60, -17, -17, -17])
    edges = [0, 100, 200, 400, 800, 1600, 3200, 6400, 12800, 20000]
    view = bleed.view("Snare Top", ("snare", snare), ("hat", hat), edges)

    assert view is not None
    assert ("Snare Top", "snare", "hat", 3200.0, 20000.0) == (view.mic, view.own, view.drum, view.low_hz, view.high_hz)
    assert 3.0 == pytest.approx(view.band_db, abs=0.01)
    assert -20.0 == pytest.approx(view.level_db, abs=0.1)
    assert ("In Snare Top, a hard hat hit is 20 dB below a hard snare hit; above 3200 Hz it is 3 dB above it."
            == view_text(view))


def test_a_mic_view_of_a_drum_never_clear_there_is_none() -> None:
    """What was never clear in a mic is not told."""
    assert bleed.view("Kick", ("kick", np.zeros(4)), ("hat", np.full(4, np.nan)), [0, 1, 2, 3, 4]) is None


def test_a_compressing_mic_takes_no_part_in_isolation() -> None:
    """A mic that is left out may be full of others; the home mic is asked at any rate."""
    own, bled = np.ones(2), np.array([-40.0, 0.0])

    assert not bleed.isolated(bled, own, 0)
    assert bleed.isolated(bled, own, 0, np.array([True, False]))
    assert not bleed.isolated(bled[::-1], own, 0, np.array([False, True]))


def test_what_is_struck_together_is_graded_with_twice_the_doubt() -> None:
    """2 dB of doubt in an estimate, 4 where another drum is struck with it: 23 dB down is a C or a D."""
    worst, none, far = np.array([-23.0, -60.0]), np.full(2, -80.0), np.zeros(2, bool)

    assert ["C", "A"] == [grades.grade(db, close=True) for db in bleed.graded_db(worst, none, far, 2, together=False)]
    assert ["D", "A"] == [grades.grade(db, close=True) for db in bleed.graded_db(worst, none, far, 2, together=True)]


def test_what_may_be_masked_is_a_bound_in_a_drums_own_mic_among_many() -> None:
    """31 dB down at most is a B in the drum's own close mic where four mics listen; a C in an overhead, and a C where
    two do.
    """
    masked, clean = np.full(4, -31.0), np.full(4, -80.0)
    own = np.array([True, False, False, False])

    assert [-31.0, -29.0, -29.0, -29.0] == bleed.graded_db(clean, masked, own, 4, together=False).tolist()
    assert [-29.0] * 4 == bleed.graded_db(clean, masked, own, 2, together=False).tolist()
