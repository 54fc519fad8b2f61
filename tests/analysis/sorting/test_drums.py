"""Drums: which templates are strokes of one, by all that speaks for it and against it."""

from __future__ import annotations

import numpy as np
import pytest
from stage_inputs import BANDS, STRETCHES, templates

from oneshot.analysis.sorting import drums as sort_drums
from oneshot.analysis.sorting import features
from oneshot.core.records.session import Floats, Frames

ALONE = np.array([-1, -1])
KIT = 6
"""Templates of a kit, of which the first two are in question."""


# ------------------------------------------------------------------------------------------------------------- evidence


def evidence(place_db: float, sound_db: float = 5.0, *, arrivals: float = 0.0, mics: int = 8, damped: bool = False,
             others_db: float = 5.0) -> float:
    """Evidence that two templates of a kit are one drum: they lie so far apart, and all other pairs ``others_db`` in
    place; ``arrivals``: what their arrivals say.
    """
    place, sound, same = np.full((KIT, KIT), others_db), np.full((KIT, KIT), 6.0), np.zeros((KIT, KIT))
    for what, value in ((place, place_db), (sound, sound_db), (same, arrivals)):
        what[0, 1] = what[1, 0] = value
        np.fill_diagonal(what, 0.0)
    found = sort_drums.one_drum(place, sound, same, mics, np.arange(KIT) < (2 if damped else 0))
    np.testing.assert_array_equal(found, found.T)
    return float(found[0, 1])


def test_rim_and_centre_are_one_drum() -> None:
    """Strokes whose levels agree in many mics are one drum even where they sound as unlike as any two can: sound alone
    never parts what shares a place.
    """
    assert evidence(0.8, 8.0) > 0
    assert evidence(0.8, features.LIMIT_DB) > 0


def test_two_toms_are_two_drums() -> None:
    """Strokes that sound alike from two places are two drums, however alike."""
    assert evidence(5.0, 0.5) < 0
    assert evidence(5.0, 0.0) < 0


def test_levels_that_agree_say_less_through_two_mics() -> None:
    """At the same distance eight mics are surer that two templates are one drum than two mics are; of these, sound far
    apart is enough to part them.
    """
    assert evidence(0.8, mics=8) > evidence(0.8, mics=4) > evidence(0.8, mics=2) > 0
    assert evidence(0.8, 14.0, mics=2) < 0 < evidence(0.8, 14.0, mics=8)


def test_more_mics_than_are_known_of_change_nothing() -> None:
    """Nine mics and thirteen are as sure as each other, and one mic, which has no ratio, as two."""
    assert evidence(1.5, mics=9) == evidence(1.5, mics=13)
    assert evidence(1.5, mics=1) == evidence(1.5, mics=2)


def test_arrivals_decide_where_levels_do_not() -> None:
    """Levels halfway between one drum and two: arrivals that agree make them one, arrivals that differ two; they
    outweigh a middling distance, and levels that agree entirely.
    """
    assert evidence(2.0, arrivals=6.0) > 0 > evidence(2.0, arrivals=-6.0)
    assert evidence(3.0, arrivals=10.0) > 0
    assert evidence(0.0, arrivals=-12.0) < 0


def test_what_all_pairs_share_is_no_evidence() -> None:
    """Through a mix everything lies as near together as strokes of one drum: then nothing is joined for that; the same
    distance is evidence in a kit whose other pairs lie apart, and arrivals still are in the mix.
    """
    assert evidence(0.8, others_db=0.8) < 0 < evidence(0.8, others_db=5.0)
    assert evidence(0.8, others_db=0.8, arrivals=4.0) > 0


def test_two_damped_cymbals_are_the_hat() -> None:
    """Two cymbals that are damped are one drum where nothing speaks against it, and two all the same where they lie far
    apart; of other templates most are two.
    """
    assert evidence(1.3, others_db=1.3, damped=True) > 0 > evidence(1.3, others_db=1.3)
    assert evidence(6.0, damped=True) < 0


def test_a_kit_of_two_strokes_and_of_one_has_evidence_too() -> None:
    """Two templates alone are joined by their arrivals; one, and none, are no pair."""
    def alone(count: int, same: float) -> Floats:
        both = 1.0 - np.eye(count)
        return sort_drums.one_drum(1.5 * both, 5.0 * both, same * both, 8, np.zeros(count, bool))

    assert alone(2, 6.0)[0, 1] > 0 > alone(2, 0.0)[0, 1]
    assert (1, 1) == alone(1, 0.0).shape
    assert (0, 0) == alone(0, 0.0).shape


# ---------------------------------------------------------------------------------------------------------------- drums


def drums(evidence_ln: float, owner: Frames = ALONE, variant: Frames = ALONE, said: Frames | None = None) -> list[int]:
    """The drums of two templates with that evidence that they are one."""
    found = sort_drums.into_drums(evidence_ln * (1.0 - np.eye(2)), owner=owner, variant=variant, said=said)
    return [int(number) for number in found]


def of_pairs(count: int, pairs: dict[tuple[int, int], float], other: float = -6.0) -> Floats:
    """Evidence of ``count`` templates: that of some pairs, and ``other`` of all others."""
    out = np.full((count, count), other)
    for (a, b), value in pairs.items():
        out[a, b] = out[b, a] = value
    return out


def test_templates_are_joined_as_far_as_the_evidence_goes() -> None:
    """What speaks for it joins, what speaks against it parts; one template is a drum, and none is none."""
    assert [0, 0] == drums(0.5)
    assert [0, 1] == drums(-0.5)
    assert [0] == sort_drums.into_drums(np.zeros((1, 1)), owner=ALONE[:1], variant=ALONE[:1]).tolist()
    assert [] == sort_drums.into_drums(np.zeros((0, 0)), owner=ALONE[:0], variant=ALONE[:0]).tolist()


def test_drums_are_numbered_by_their_first_template_whatever_the_order() -> None:
    """Templates in another order make the same drums."""
    nobody = np.full(5, -1)
    evidence_ln = of_pairs(5, {(0, 2): 5.0, (1, 4): 7.0})
    order = np.array([3, 4, 0, 2, 1])

    assert [0, 1, 0, 2, 1] == sort_drums.into_drums(evidence_ln, owner=nobody, variant=nobody).tolist()
    found = sort_drums.into_drums(evidence_ln[np.ix_(order, order)], owner=nobody, variant=nobody)
    assert [0, 1, 2, 2, 1] == found.tolist()


def test_one_near_partner_does_not_bring_two_drums_together() -> None:
    """A template near to one stroke of a drum and far from its others does not join them: all of them count."""
    nobody = np.full(4, -1)
    evidence_ln = of_pairs(4, {(0, 1): 9.0, (0, 2): 9.0, (1, 2): 9.0, (2, 3): 3.0}, other=-8.0)

    assert [0, 0, 0, 1] == sort_drums.into_drums(evidence_ln, owner=nobody, variant=nobody).tolist()


def test_what_two_close_mics_claim_is_never_one_drum() -> None:
    """What the rack tom's mic claims and what the floor tom's mic claims are two drums, however near they seem; so are
    they beside what no mic claims and what is near to both.
    """
    nobody = np.full(3, -1)
    found = sort_drums.into_drums(np.full((3, 3), 20.0), owner=np.array([0, -1, 1]), variant=nobody)

    assert [0, 1] == drums(40.0, owner=np.array([0, 1]))
    assert found[0] != found[2]


def test_what_one_close_mic_claims_is_one_drum_in_spite_of_arrivals() -> None:
    """Rim and centre lead in the snare's mic: a hat that is heard earlier beside one of them does not part them; only
    evidence beyond that does.
    """
    assert [0, 0] == drums(-7.0, owner=np.array([3, 3]))
    assert [0, 1] == drums(-7.0)
    assert [0, 1] == drums(-12.0, owner=np.array([3, 3]))


def test_labels_outrank_all_evidence() -> None:
    """Two templates that are said to be one drum are one, whatever close mics and distances say; two that are said to
    be different are two, and what is between goes with the nearer one.
    """
    nobody = np.full(3, -1)
    between = of_pairs(3, {(0, 1): 20.0, (0, 2): 9.0, (1, 2): 12.0})

    assert [0, 0] == drums(-40.0, owner=np.array([0, 1]), said=np.array([4, 4]))
    assert [0, 1] == drums(40.0, owner=np.array([0, 0]), said=np.array([4, 5]))
    found = sort_drums.into_drums(between, owner=nobody, variant=nobody, said=np.array([0, 1, -1]))
    assert [0, 1, 1] == found.tolist()


def test_what_is_near_to_two_labelled_drums_does_not_join_them() -> None:
    """Three templates that lie near to both are given to one of them or the other; the two stay apart."""
    nobody = np.full(5, -1)
    found = sort_drums.into_drums(np.full((5, 5), 40.0), owner=nobody, variant=nobody,
                                  said=np.array([0, 1, -1, -1, -1]))

    assert found[0] != found[1]
    assert {0, 1} == set(found.tolist())


def test_a_variant_goes_with_its_template() -> None:
    """What is left of a mixture whose main part is a hat is a stroke of that hat, unless the evidence against it is
    strong: then it is a drum by itself.
    """
    assert [0, 0] == drums(-3.0, variant=np.array([-1, 0]))
    assert [0, 1] == drums(-9.0, variant=np.array([-1, 0]))


def test_a_variant_goes_wherever_its_template_goes() -> None:
    """A variant of a stroke that is one drum with another is of that drum too, near to it or not."""
    nobody = np.full(3, -1)
    found = sort_drums.into_drums(of_pairs(3, {(0, 1): 6.0, (1, 2): -2.0}, other=-20.0), owner=nobody,
                                  variant=np.array([-1, -1, 1]))

    assert [0, 0, 0] == found.tolist()


@pytest.mark.parametrize(("place_db", "sound_db", "mics", "sure"), [
    (2.2, 0.0, 8, True), (1.5, 10.0, 8, False), (1.5, 0.0, 2, False), (1.5, 4.0, 2, True), (0.5, 3.0, 2, False),
])
def test_what_is_surely_another_drum(place_db: float, sound_db: float, mics: int, sure: bool) -> None:
    """Through four mics and more it is place that makes sure of it, through fewer place and sound together."""
    both = 1.0 - np.eye(2)
    found = sort_drums.apart(place_db * both, sound_db * both, mics)

    assert [[False, sure], [sure, False]] == found.tolist()


# ---------------------------------------------------------------------------------------------------------- close mics


def test_arrivals_do_not_part_what_leads_in_one_close_mic() -> None:
    """A snare with a hat that is heard first arrives like neither; templates of two close mics, and of none, keep all
    that speaks against them.
    """
    against = np.full((3, 3), -9.0)

    assert -4.0 == sort_drums.with_partners(against, np.array([1, 1, -1]))[0, 1]
    assert -9.0 == sort_drums.with_partners(against, np.array([1, 0, -1]))[0, 1]
    assert -9.0 == sort_drums.with_partners(against, np.array([1, -1, -1]))[1, 2]
    assert 3.0 == sort_drums.with_partners(np.full((2, 2), 3.0), np.array([1, 1]))[0, 1]


def test_a_close_mic_owns_what_stands_highest_in_it() -> None:
    """Kick, snare and a cymbal without a mic: two kinds are owned by their mics, the cymbal by none."""
    def stroke(levels: list[float]) -> Floats:
        energy = np.zeros((4, BANDS, STRETCHES))
        energy += 10 ** (np.array(levels)[:, None, None] / 10)
        return np.asarray(energy / energy.sum())

    kinds = templates(stroke([0, -20, -14, -14]), stroke([-22, 0, -12, -13]), stroke([-21, -16, 0, -2]))
    near = np.ones(4, bool)
    found = sort_drums.close_mic_assignment(features.relative_level_db(kinds, near), np.array([0, 1, -1, -1]))

    assert [0, 1, -1] == found.tolist()


def test_what_leads_in_any_of_a_drums_mics_is_a_stroke_of_it() -> None:
    """A side stick stands 6 dB higher than the centre in the snare's top mic, the centre highest in the bottom one; a
    hat that leads in neither is not the snare's.
    """
    standing = np.array([[16.0, -2.0, -8.0], [10.0, 5.0, -9.0], [3.0, -9.0, -6.0], [-5.0, -6.0, 12.0]])
    found = sort_drums.close_mic_assignment(standing, np.array([0, 0, 1]))

    assert [0, 0, -1, 1] == found.tolist()


def test_a_drum_is_owned_by_the_mics_that_its_take_has() -> None:
    """A kick stands 12 dB higher in its outer mic than in its inner one. One of a take without the outer mic is
    compared in the inner one alone and owned as well; a hat of that take is not; what knows none of a drum's mics is
    not its.
    """
    unheard = np.nan
    standing = np.array([[3.0, 15.0, -8.0], [2.0, unheard, -9.0], [-9.0, unheard, -7.0], [-8.0, -9.0, 12.0],
                         [unheard, unheard, 11.0]])
    found = sort_drums.close_mic_assignment(standing, np.array([0, 0, 1]))

    assert [0, 0, -1, 1, 1] == found.tolist()


def test_without_close_mics_nothing_is_owned() -> None:
    """Overheads alone own no kind."""
    assert [-1, -1] == sort_drums.close_mic_assignment(np.zeros((2, 2)), np.array([-1, -1])).tolist()
