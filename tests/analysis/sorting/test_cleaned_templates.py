"""Purified: kinds learned from mixtures are given to the drum of the hits that they explain."""

from __future__ import annotations

import numpy as np
from stage_inputs import template, templates

from oneshot.analysis.sorting import templates as learn_templates

MICS = 4
NEAR = np.ones(MICS, bool)
SNARE, KICK, HAT = (template(seed, MICS, tops, decay, own) for own, (seed, tops, decay) in
                    enumerate(((2, (2, 3, 4, 5), 4.0), (1, (0, 1), 7.0), (3, (7, 8, 9), 3.0))))


def test_hits_of_one_stroke_say_what_explains_them() -> None:
    """One kind alone is told; two at once and none are not."""
    assert [1, -1, -1, 0] == learn_templates.alone(np.array([[0.0, 2.0], [1.0, 1.0], [0.0, 0.0], [0.5, 0.0]])).tolist()
    assert [-1] == learn_templates.alone(np.zeros((1, 0))).tolist()


def test_a_kind_that_has_what_its_hits_lack_is_told() -> None:
    """A snare learned with a kick, whose hits are the snare alone, is in doubt; the snare itself, and a kind that few
    hits came to, are not.
    """
    mixture = SNARE + KICK
    kinds = templates(mixture / mixture.sum(), SNARE, HAT)
    again = templates(SNARE, SNARE, HAT, members=[20, 20, 20])
    few = templates(SNARE, SNARE, HAT, members=[3, 20, 20])

    assert [True, False, False] == learn_templates.missing_templates(kinds, again, NEAR).tolist()
    assert not learn_templates.missing_templates(kinds, few, NEAR).any()


def test_what_is_a_little_softer_in_its_hits_lacks_nothing() -> None:
    """Strokes of one kind differ by a few dB: that is no mixture."""
    rng = np.random.default_rng(1)
    again = SNARE * 10 ** (rng.normal(0, 1.5, SNARE.shape) / 10)

    assert not learn_templates.missing_templates(templates(SNARE), templates(again / again.sum()), NEAR).any()


def test_a_kind_in_doubt_goes_to_the_drum_it_is_found_with() -> None:
    """The doubtful kind goes to the drum of most hits that it is put together with; the others never move, nor does one
    that is put with none.
    """
    drum, members = np.array([0, 1, 1, 2]), np.array([9, 20, 5, 30])
    doubtful = np.array([True, False, False, False])

    assert [1, 1, 1, 2] == learn_templates.reassigned(drum, members, doubtful, np.array([4, 4, 4, 5])).tolist()
    assert [2, 1, 1, 2] == learn_templates.reassigned(drum, members, doubtful, np.array([4, 5, 4, 4])).tolist()
    assert [0, 1, 1, 2] == learn_templates.reassigned(drum, members, doubtful, np.array([3, 4, 4, 5])).tolist()


def test_only_those_in_doubt_are_taken_as_learned_again() -> None:
    """Kinds in doubt come as they were learned again, all others, and those that no hit came to, as they were."""
    kinds, again = templates(SNARE, KICK, HAT), templates(KICK, HAT)
    found = learn_templates.replaced(kinds, again, np.array([True, False, False]))

    np.testing.assert_array_equal(np.stack([KICK, KICK, HAT]), found.energy)
