"""Templates: kinds of strokes by their distances, and the median stroke of each."""

from __future__ import annotations

import warnings
from collections.abc import Sequence

import numpy as np
import pytest
from numpy.typing import NDArray
from stage_inputs import BANDS, RATE, STRETCHES, template, templates

from oneshot.analysis.records import Templates
from oneshot.analysis.sorting import templates as learn_templates
from oneshot.core.arrays import nan_median
from oneshot.core.records.session import Floats, Frames


def between(labels: list[int], inside: float, across: float, seed: int = 0) -> Floats:
    """Distances (hits, hits) of hits that are near those of their label and far from the others."""
    same = np.equal.outer(labels, labels)
    rough = np.random.default_rng(seed).uniform(0.8, 1.2, same.shape)
    out = np.where(same, inside, across) * (rough + rough.T) / 2
    np.fill_diagonal(out, 0.0)
    return np.asarray(out)


# ---------------------------------------------------------------------------------------------------------------- kinds


def test_hits_near_each_other_are_one_kind() -> None:
    """Three clouds of hits are three kinds, numbered by their first hit; nobody says how many there are."""
    labels = [0, 0, 1, 0, 1, 2, 2, 1, 0]

    assert labels == learn_templates.kinds(between(labels, 0.8, 7.0), between(labels, 1.0, 6.0)).tolist()


def test_one_drum_alone_is_one_kind() -> None:
    """Hits that are all alike are one kind; one hit is one; none is none."""
    assert [0] * 8 == learn_templates.kinds(between([0] * 8, 1.0, 1.0), between([0] * 8, 1.0, 1.0)).tolist()
    assert [0] == learn_templates.kinds(np.zeros((1, 1)), np.zeros((1, 1))).tolist()
    assert 0 == len(learn_templates.kinds(np.zeros((0, 0)), np.zeros((0, 0))))


def test_place_alone_and_sound_alone_part_hits() -> None:
    """Two toms of one sound at two places, and an open and a closed hat at one place, are two kinds each."""
    labels = [0, 1, 0, 1, 0, 1]
    far, none = between(labels, 0.6, 8.0), between(labels, 0.6, 0.6)

    assert labels == learn_templates.kinds(far, none).tolist()
    assert labels == learn_templates.kinds(none, between(labels, 0.6, 12.0)).tolist()


def test_the_order_of_hits_changes_no_kind() -> None:
    """The same hits in another order are gathered alike."""
    labels = [0, 0, 1, 0, 1, 2, 2, 1, 0]
    order = np.array([5, 1, 8, 2, 0, 7, 3, 6, 4])
    place = between(labels, 0.8, 7.0)
    found = learn_templates.kinds(place[np.ix_(order, order)], place[np.ix_(order, order)])

    np.testing.assert_array_equal(np.equal.outer(labels, labels)[np.ix_(order, order)], np.equal.outer(found, found))


# --------------------------------------------------------------------------------------------------- what to learn from


def rows(ms: list[float], rise: list[float], share: list[float] | None = None) -> list[int]:
    """Hits fit to learn from."""
    first: Frames = np.round(np.array(ms) * RATE / 1000).astype(np.int64)
    found = learn_templates.clean_rows(first, np.array(rise), RATE, np.array(share or [0.9] * len(ms)))
    return [int(row) for row in found]


def test_only_hits_that_stand_alone_are_learned_from() -> None:
    """A hit with a comparable one within 40 ms, before or after it, teaches nothing; half a second away is alone."""
    assert [0, 3] == rows([0, 500, 540, 1500], [10, 10, 10, 10])


def test_an_echo_spoils_no_hit() -> None:
    """What rises a twentieth as much as the hit is its own echo or buzz."""
    assert 0 in rows([0, 40], [15, 0.7])


def test_a_hit_that_hardly_stands_out_teaches_nothing() -> None:
    """A hit heard in next to no mic and band is not learned from."""
    assert [0] == rows([0, 1000], [10, 10], [0.9, 0.02])


def test_long_sessions_are_thinned_evenly() -> None:
    """At most so many hits are learned from, first and last among them, in order, none twice; a few stay all."""
    many = np.arange(0, 50_000, 7)
    kept = learn_templates.thin(many)

    assert len(kept) == learn_templates.LEARN_FROM
    assert (many[0], many[-1]) == (kept[0], kept[-1])
    assert (np.diff(kept) > 0).all()
    assert np.diff(kept).max() <= 1.5 * np.diff(kept).min()
    np.testing.assert_array_equal(many[:5], learn_templates.thin(many[:5]))


# ---------------------------------------------------------------------------------------------------- the median stroke


def hits_of(stroke: Floats, strengths: list[float], seed: int = 1, spread: float = 1.0) -> Floats:
    """Levels in dB (hits, mics, bands, stretches) of strokes that differ by a decibel or so and in strength."""
    rng = np.random.default_rng(seed)
    shape = (len(strengths), *stroke.shape)
    return np.asarray(10 * np.log10(stroke) + np.array(strengths)[:, None, None, None]
                      + rng.normal(0, spread, shape))


def learned(level: Floats, heard: NDArray[np.bool_], labels: Sequence[int]) -> Templates:
    """The templates of hits."""
    return learn_templates.templates_of(level, heard, np.array(labels, np.int64))


def test_a_mic_that_some_takes_lack_is_learned_from_the_others() -> None:
    """Of twelve kicks three are of a take with an outer mic, fewer than a third: the template knows that mic all the
    same, as from those three alone. One that no take of its hits has is told as not heard in.
    """
    kick = template(1, 3, (0, 1), own=0)
    level = hits_of(kick, [0.0, -3.0, -6.0] * 4)
    there = np.ones((12, 3), bool)
    there[3:, 2] = False
    level[3:, 2] = -150.0
    heard = np.broadcast_to(there[..., None, None], level.shape) & (level > -80)
    few = learned(level[:3], heard[:3], [0] * 3)
    found = learn_templates.templates_of(level, heard, np.zeros(12, np.int64), there)
    none = learn_templates.templates_of(level[3:], heard[3:], np.zeros(9, np.int64), there[3:])

    assert found.energy[0, 2].any()
    np.testing.assert_array_equal(few.energy[0, 2] > 0, found.energy[0, 2] > 0)
    assert [[True, True, True]] == found.heard_in.tolist()
    assert [[True, True, False]] == none.heard_in.tolist()


def test_low_sound_of_eleven_milliseconds_is_no_part_of_a_stroke() -> None:
    """A hat over a kick's ring is learned without the lows that wavered as it began; a kick is learned with its lows,
    in the mic in which they go on, and so is a hat with lows that are softer than itself.
    """
    hat = np.full((2, BANDS, STRETCHES), -150.0)
    hat[:, 6:] = -30.0
    under = hat.copy()
    under[:, :2, 0] = -10.0
    kick = np.full((2, BANDS, STRETCHES), -150.0)
    kick[:, :2] = -10.0
    kick[1, :2, 1:] = -150.0
    softer = under.copy()
    softer[:, :2, 0] = -40.0
    level = np.stack([under] * 4 + [kick] * 4 + [softer] * 4)
    found = learn_templates.templates_of(level, level > -100, np.repeat([0, 1, 2], 4))

    assert not found.energy[0, :, :2].any()
    np.testing.assert_allclose(1.0, found.energy[0].sum())
    np.testing.assert_allclose(found.energy[1, 0, 0, 0], found.energy[1, 0, 0, -1])
    assert not found.energy[1, 1, :2].any()
    assert found.energy[2, :, :2, 0].all()



def test_the_median_stroke_is_the_stroke() -> None:
    """From eleven strokes over 30 dB of strength, two of them with bleed in a third of their levels, the template is
    the stroke itself to half a decibel in the middle, its energies summing to one.
    """
    stroke = template(1, 4, (2, 3, 4))
    level = hits_of(stroke, list(np.linspace(-30, 0, 11)))
    level[2:4, :, 6:] += 15.0
    made = learned(level, np.ones(level.shape, bool), [0] * 11)
    off = 10 * np.log10(made.energy[0] / stroke)

    assert 1.0 == pytest.approx(made.energy[0].sum())
    assert 0.5 > np.median(np.abs(off - np.median(off)))
    assert 2.5 > np.abs(off - np.median(off)).max()
    assert [11] == made.members.tolist()


def test_what_was_never_heard_has_a_limit() -> None:
    """A level that no hit of a kind was heard at holds no energy, and the limit is no lower than the truth."""
    stroke = template(2, 3, (0, 1))
    level = hits_of(stroke, [0.0, -3.0, -6.0, -1.0], spread=0.0)
    hidden = np.zeros(level.shape, bool)
    hidden[:, 1, 7:] = True
    level[hidden] += 10.0  # "below this", as noise would say
    made = learned(level, ~hidden, [0] * 4)
    scale = made.energy[0, 0, 0, 0] / stroke[0, 0, 0]

    assert (made.energy[0][hidden[0]] == 0).all()
    assert (made.limit[0][hidden[0]] >= 0.99 * scale * stroke[hidden[0]]).all()
    np.testing.assert_allclose(scale * stroke[~hidden[0]], made.energy[0][~hidden[0]])


def test_hits_of_no_kind_teach_none() -> None:
    """Hits labelled -1 change no template; a label without hits is an empty kind."""
    one, other = template(3, 3, (1,)), template(4, 3, (8,))
    level = np.concatenate([hits_of(one, [0, -5, -9]), hits_of(other, [0, -2])])
    with_others = learned(level, np.ones(level.shape, bool), [0, 0, 0, -1, -1])
    alone = learned(level[:3], np.ones(level[:3].shape, bool), [0] * 3)

    np.testing.assert_array_equal(alone.energy, with_others.energy)
    assert 0 == len(learned(level, np.ones(level.shape, bool), [-1] * 5).energy)


def test_kinds_can_be_selected() -> None:
    """Some of the kinds keep their energies, numbers and members."""
    some = templates(template(1, 2, (1,)), template(2, 2, (4,)), template(3, 2, (8,)), members=[5, 1, 9])
    kept = learn_templates.select(some, np.array([True, False, True]))

    assert [5, 9] == kept.members.tolist()
    assert [0, 2] == kept.drum.tolist()
    np.testing.assert_array_equal(some.energy[[0, 2]], kept.energy)


def test_the_median_is_blind_to_what_is_not_there() -> None:
    """It equals numpy's own, and says NaN without a warning where nothing is left."""
    values = np.random.default_rng(5).normal(size=(7, 6))
    values[np.random.default_rng(6).random((7, 6)) < 0.4] = np.nan
    values[:, 2] = np.nan
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        found = nan_median(values, axis=0)
    kept = np.delete(np.arange(6), 2)

    assert np.isnan(found[2])
    np.testing.assert_allclose(np.nanmedian(values[:, kept], axis=0), found[kept])
