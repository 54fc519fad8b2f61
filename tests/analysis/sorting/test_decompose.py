"""Unmix: which strokes a candidate is made of and how strong each is, where all energies are known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from stage_inputs import BANDS, STRETCHES, heard, template, templates

from oneshot.analysis.records import STRETCH_STEPS, HitFeatures, Templates
from oneshot.analysis.sorting import decompose, nmf
from oneshot.analysis.sorting import templates as learn_templates
from oneshot.analysis.sorting.features import take_rows
from oneshot.core.records.session import Floats
from oneshot.core.workers import working

MICS = 6
NEAR = np.ones(MICS, bool)
KICK, SNARE, HAT, FLOOR = (template(seed, MICS, tops, decay, own) for own, (seed, tops, decay) in
                           enumerate(((1, (0, 1), 7.0), (2, (2, 3, 4, 5), 4.0), (3, (7, 8, 9), 3.0), (4, (1, 2), 2.5))))
KNOWN = templates(KICK, SNARE, HAT, FLOOR)
NAMES = ("kick", "snare", "hat", "floor")
FAR_APART = 10_000.0
"""Steps from one candidate to the next: nothing of one is left in the other."""


def gains(**strokes: float) -> Floats:
    """Strengths (kinds,) from decibels by name."""
    out = np.zeros(len(NAMES))
    for name, level_db in strokes.items():
        out[NAMES.index(name)] = 10 ** (level_db / 10)
    return out


def mixtures(*hits: Floats, floor: float = 1e-8, jitter_db: float = 0.0, known: Templates = KNOWN) -> HitFeatures:
    """Candidates made of strokes at those strengths over a steady noise; strokes may differ from their templates."""
    rng = np.random.default_rng(9)
    rough = 10 ** (rng.normal(0, jitter_db, (len(hits), *known.energy.shape)) / 10)
    return heard(np.einsum("hk,hkmbs->hmbs", np.stack(hits), known.energy[None] * rough), floor)


def explained(*hits: Floats, floor: float = 1e-8, jitter_db: float = 0.0) -> decompose.Decomposition:
    """What those candidates are found to be made of, each far from the others."""
    steps = FAR_APART * np.arange(len(hits), dtype=np.float64)
    return decompose.decompose(mixtures(*hits, floor=floor, jitter_db=jitter_db), KNOWN, steps, NEAR)


def assert_made_of(expected: Floats, found: Floats, within_db: float) -> None:
    """Exactly these strokes, at these strengths."""
    assert [NAMES[k] for k in np.flatnonzero(expected)] == [NAMES[k] for k in np.flatnonzero(found)]
    there = expected > 0
    np.testing.assert_allclose(10 * np.log10(expected[there]), 10 * np.log10(found[there]), atol=within_db)


# -------------------------------------------------------------------------------------------------------------- strokes


def test_of_two_that_fit_alike_the_more_frequent_one_is_taken() -> None:
    """Between two ways of striking a snare, a stroke that lies halfway is the one struck ten times as often; a stroke
    clearly of the rare one stays that.
    """
    rng = np.random.default_rng(4)
    double = SNARE * 10 ** (rng.normal(0, 2, SNARE.shape) / 10)
    for members, expected in (([50, 5], 0), ([5, 50], 1)):
        known = templates(SNARE, double, members=members, drum=[1, 1])
        halfway = np.sqrt(known.energy[0] * known.energy[1])[None]
        found = decompose.decompose(heard(halfway, 1e-9), known, np.zeros(1), NEAR)
        assert expected == int(found.activation[0].argmax())
        for kind in (0, 1):
            whole = heard(known.energy[kind][None], 1e-9)
            assert kind == int(decompose.decompose(whole, known, np.zeros(1), NEAR).activation[0].argmax())


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("level_db", [0.0, -20.0, -35.0])
def test_a_single_stroke_is_found_at_its_strength(name: str, level_db: float) -> None:
    """A stroke alone is itself and nothing else, to three quarters of a decibel, 35 dB below the hardest as well."""
    found = explained(gains(**{name: level_db}))

    assert_made_of(gains(**{name: level_db}), found.activation[0], 0.75)
    assert decompose.is_hit(found).all()


@pytest.mark.parametrize("pair", [("kick", "hat"), ("snare", "hat"), ("kick", "snare"), ("snare", "floor"),
                                  ("hat", "floor")])
@pytest.mark.parametrize("levels", [(0.0, 0.0), (0.0, -10.0), (-10.0, 0.0)])
def test_two_drums_at_once_are_told_apart(pair: tuple[str, str], levels: tuple[float, float]) -> None:
    """Two drums struck together are both found, each at its strength to half a decibel."""
    wanted = gains(**dict(zip(pair, levels, strict=True)))

    assert_made_of(wanted, explained(wanted).activation[0], 0.5)


def test_two_hands_and_a_foot_are_told_apart() -> None:
    """Three drums at once are found."""
    wanted = gains(kick=-3.0, snare=0.0, hat=-6.0)

    assert_made_of(wanted, explained(wanted).activation[0], 0.5)


def test_three_strokes_are_three_though_none_is_like_its_template() -> None:
    """Three drums at once are told apart where each differs from its template by a decibel level by level, too."""
    wanted = gains(kick=-2.0, snare=0.0, hat=-2.0)

    assert_made_of(wanted, explained(wanted, jitter_db=1.0).activation[0], 1.5)


def test_the_best_single_kind_may_be_none_of_two() -> None:
    """A kick with a hat is both, even where a third kind, likest to the two of them, fits better than either alone."""
    both = 0.5 * KICK + 0.5 * HAT
    rough = both * 10 ** (np.random.default_rng(7).normal(0, 5, both.shape) / 10)
    known = templates(KICK, HAT, rough / rough.sum())
    found = decompose.decompose(heard(both[None], 1e-8), known, np.zeros(1), NEAR)

    assert 2 == found.single_error_db[0].argmin()
    assert [0, 1] == np.flatnonzero(found.activation[0]).tolist()


def test_pairs_are_of_two_drums_each_once() -> None:
    """Two strokes at once are of different drums; a third is of a drum that neither of the two is."""
    drum = np.array([0, 0, 1, 2])

    assert [[0, 2], [0, 3], [1, 2], [1, 3], [2, 3]] == decompose._pairs(np.array([3.0, 1.0, 4.0, 2.0]), drum).tolist()
    assert [[1, 2, 3]] == decompose._with_one_more([1, 2], drum).tolist()
    assert 0 == len(decompose._pairs(np.array([1.0, 2.0]), np.array([0, 0])))


def test_what_a_model_has_too_much_of_counts_more() -> None:
    """Another stroke may add 30 dB to a level, and that counts 15; none takes 30 dB away, and that counts all. Where
    what rang before has faded, only what a stroke claims above it does.
    """
    ground, level = np.full(4, 1e-6), np.full(4, 1e-2)

    def error_db(energy: Floats, model: Floats) -> float:
        heard = decompose._as_candidate(energy, ground, np.ones(4, bool), level[None])
        above = (model / ground).astype(np.float32)[None, None]
        return float(nmf._errors_db(heard.energy[None, None], above, np.array([heard.whole]))[0, 0])

    assert 15.0 == pytest.approx(error_db(1e3 * level, level))
    assert 30.0 == pytest.approx(error_db(1e-3 * level, level))
    assert 10 * np.log10(2) == pytest.approx(error_db(0.01 * ground, 2 * ground))


def test_strokes_need_not_equal_their_templates() -> None:
    """Strokes that differ from their templates by 1.5 dB level by level, as a player's do, are found all the same."""
    hits = [gains(kick=-4.0), gains(snare=-12.0), gains(kick=0.0, hat=-6.0), gains(snare=-2.0, hat=-4.0)]
    found = explained(*hits, jitter_db=1.5)
    for wanted, got in zip(hits, found.activation, strict=True):
        assert_made_of(wanted, got, 1.5)


def test_loudness_of_the_session_does_not_matter() -> None:
    """Only ratios count: everything 40 dB down, noise included, is found 40 dB down."""
    hit = gains(kick=-3.0, hat=-9.0)
    plain = mixtures(hit)
    down = HitFeatures(plain.mics, plain.energy * 1e-4, plain.before * 1e-4, plain.fade_db, plain.noise * 1e-4,
                       plain.valid)
    found = decompose.decompose(down, KNOWN, np.zeros(1), NEAR)

    assert_made_of(hit * 1e-4, found.activation[0], 0.5)


def test_only_the_near_mics_decide() -> None:
    """What a room hears changes neither strokes nor strengths."""
    near = np.array([True] * 5 + [False])
    plain = mixtures(gains(snare=-6.0))
    loud = plain.energy.copy()
    loud[:, 5] *= 1000
    more = HitFeatures(plain.mics, loud, plain.before, plain.fade_db, plain.noise, plain.valid)

    np.testing.assert_array_equal(decompose.decompose(plain, KNOWN, np.zeros(1), near).activation,
                                  decompose.decompose(more, KNOWN, np.zeros(1), near).activation)


def test_stretches_of_a_later_stroke_are_left_out() -> None:
    """Where a later stroke falls into the last stretches, the first ones tell kind and strength."""
    plain = mixtures(gains(snare=-6.0))
    late = plain.energy.copy()
    late[..., 3:] += KICK[None, ..., :2] * 3
    valid = plain.valid.copy()
    valid[..., 3:] = False
    cut = HitFeatures(plain.mics, late, plain.before, plain.fade_db, plain.noise, valid)
    found = decompose.decompose(cut, KNOWN, np.zeros(1), NEAR)

    assert_made_of(gains(snare=-6.0), found.activation[0], 0.5)


# ---------------------------------------------------------------------------------------------------- what is no stroke


def test_noise_is_no_stroke() -> None:
    """A candidate that holds what was there before, and noise, is none."""
    found = explained(gains())

    assert not decompose.is_hit(found).any()
    assert 0.0 == found.activation.sum()


def moved(gain: Floats, lag: int) -> Floats:
    """What a stroke leaves in the stretches of a moment ``lag`` steps later, (mics, bands, stretches)."""
    last = STRETCH_STEPS[-1][1]
    steps = np.zeros((MICS, BANDS, last))
    for s, (a, b) in enumerate(STRETCH_STEPS):
        steps[:, :, a:b] = (gain @ KNOWN.energy.reshape(len(NAMES), -1)).reshape(MICS, BANDS, STRETCHES)[:, :, s, None]
    later = np.concatenate([steps[:, :, lag:], np.repeat(steps[:, :, -1:], lag, axis=2)], axis=2)
    return np.stack([later[:, :, a:b].mean(axis=2) for a, b in STRETCH_STEPS], axis=2)


@pytest.mark.parametrize("lag", [6, 10, 20])
def test_the_ring_of_a_stroke_is_no_stroke(lag: int) -> None:
    """A candidate in which only an earlier stroke rings on is none, even if nothing was measured just before it."""
    first = gains(snare=0.0)
    energy = np.stack([(first @ KNOWN.energy.reshape(4, -1)).reshape(SNARE.shape), moved(first, lag)])
    found = decompose.decompose(heard(energy), KNOWN, np.array([0.0, lag]), NEAR)

    assert [True, False] == decompose.is_hit(found).tolist()


def test_a_stroke_over_the_ring_of_another_is_found() -> None:
    """A hat 55 ms after a snare, into its ring, is a hat, at its strength."""
    first, second, lag = gains(snare=0.0), gains(hat=-4.0), 20
    energy = np.stack([(first @ KNOWN.energy.reshape(4, -1)).reshape(SNARE.shape), moved(first, lag) + HAT * second[2]])
    found = decompose.decompose(heard(energy), KNOWN, np.array([0.0, lag]), NEAR)

    assert_made_of(first, found.activation[0], 0.5)
    assert_made_of(second, found.activation[1], 1.0)
    assert decompose.is_hit(found).all()


def test_the_next_stroke_is_no_evidence_for_what_goes_ahead_of_it() -> None:
    """A moment of nothing just ahead of a stroke, which falls into its second stretch, has no evidence of its own."""
    energy = np.zeros((1, *SNARE.shape))
    energy[..., 1:] = SNARE[..., :1]
    free, ended = np.ones((1, MICS, STRETCHES), bool), np.zeros((1, MICS, STRETCHES), bool)
    ended[..., 0] = True
    at = np.zeros(1)

    assert decompose.decompose(heard(energy, valid=free), KNOWN, at, NEAR).evidence_db[0] >= decompose.SURE_EVIDENCE_DB
    assert decompose.decompose(heard(energy, valid=ended), KNOWN, at, NEAR).evidence_db[0] < decompose.EVIDENCE_DB


def test_the_more_a_candidate_rises_the_less_like_a_stroke_it_need_be() -> None:
    """Half explained, a faint rise is no stroke and a strong one is; what is explained not at all never is."""
    evidence = np.array([1.0, 2.5, 2.7, 6.0, 6.0])
    error = np.array([6.0, 6.0, 6.0, 6.0, 9.5])
    known = np.ones((5, 4))
    found = decompose.Decomposition(known, evidence, error, known, np.full(5, 10.0), np.zeros((5, 1, 1, 1)))

    assert [False, False, True, True, False] == decompose.is_hit(found).tolist()


def test_without_templates_nothing_is_a_stroke() -> None:
    """Nothing learned, nothing claimed."""
    none = learn_templates.select(KNOWN, np.zeros(len(NAMES), bool))
    found = decompose.decompose(mixtures(gains(kick=0.0)), none, np.zeros(1), NEAR)

    assert not decompose.is_hit(found).any()
    assert (1, 0) == found.activation.shape


# ------------------------------------------------------------------------------------------------------------ certainty


def test_confidence_tells_a_clear_drum_from_a_doubtful_one() -> None:
    """A stroke of one drum is near certain; one halfway between two drums is not; values stay from 0 to 1."""
    twin = templates(KICK, SNARE, SNARE * 10 ** (np.random.default_rng(1).normal(0, 0.4, SNARE.shape) / 10))
    clear = decompose.confidence(explained(gains(hat=0.0)), KNOWN)
    doubtful = decompose.confidence(decompose.decompose(heard(SNARE[None], 1e-8), twin, np.zeros(1), NEAR), twin)

    assert clear[0] > 0.8
    assert 0.0 <= doubtful[0] <= 1.0
    assert decompose.confidence(explained(gains()), KNOWN)[0] == 0.0


def test_one_drum_of_several_kinds_is_no_doubt() -> None:
    """Two kinds of one drum that fit alike do not make the drum uncertain."""
    rim = SNARE * 10 ** (np.random.default_rng(2).normal(0, 0.3, SNARE.shape) / 10)
    one = templates(KICK, SNARE, rim, drum=[0, 1, 1])

    assert decompose.confidence(decompose.decompose(heard(SNARE[None], 1e-8), one, np.zeros(1), NEAR), one)[0] > 0.8


def test_a_drum_is_struck_once_at_a_time() -> None:
    """Of two kinds of one drum at most one is in a candidate."""
    one = templates(KICK, SNARE, HAT, drum=[0, 1, 1])
    found = decompose.decompose(heard((SNARE + HAT)[None], 1e-8), one, np.zeros(1), NEAR)

    assert (found.activation[0, 1:] > 0).sum() <= 1


# --------------------------------------------------------------------------------------------------------------- hidden


FEW_DB = -24.0
"""A floor tom so far under a snare, strokes of which vary by 5 dB, is too little for a stroke of its own."""


def hidden_in(*hits: Floats, expected: str) -> tuple[list[set[str]], list[set[str]]]:
    """The strokes of those candidates as they are found by themselves, and where a drum is expected in all of them."""
    some, step = mixtures(*hits, jitter_db=5.0), FAR_APART * np.arange(len(hits), dtype=np.float64)
    found = decompose.decompose(some, KNOWN, step, NEAR)
    wanted = np.broadcast_to(np.array(NAMES) == expected, (len(hits), len(NAMES)))
    more = decompose.with_hidden(found, decompose.is_hit(found), some, KNOWN, step, NEAR, wanted, np.ones_like(wanted))
    by_itself, in_pattern = ([{NAMES[k] for k in np.flatnonzero(row)} for row in each.activation]
                             for each in (found, more))
    return by_itself, in_pattern


def test_a_hidden_stroke_is_found_where_it_is_expected() -> None:
    """What is too little for a stroke of its own is enough where a drum goes on. Nothing is added that is not expected,
    nor where there is nothing.
    """
    some = gains(snare=0), gains(snare=0, floor=FEW_DB), gains(floor=FEW_DB)

    assert ([{"snare"}, {"snare"}, {"floor"}], [{"snare"}, {"snare", "floor"}, {"floor"}]) == hidden_in(
        *some, expected="floor")
    assert [{"snare"}, {"snare"}, {"floor"}] == hidden_in(*some, expected="kick")[1]


def test_what_cannot_be_in_a_hit_does_not_compete() -> None:
    """A template that labels or the take's mics rule out keeps no other from being found, however well it fits."""
    twin = templates(KICK, SNARE, HAT, FLOOR, FLOOR, members=[9, 9, 9, 9, 90])
    hits = np.stack([gains(snare=0), gains(snare=0, floor=FEW_DB), gains(floor=FEW_DB)])
    some, step = mixtures(*hits, jitter_db=5.0), FAR_APART * np.arange(3.0)
    allowed = np.broadcast_to(np.arange(5) < 4, (3, 5))
    found = decompose.decompose(some, twin, step, NEAR, allowed=allowed)
    wanted = np.broadcast_to(np.arange(5) == 3, (3, 5))
    more = decompose.with_hidden(found, decompose.is_hit(found), some, twin, step, NEAR, wanted, allowed)

    assert [[1], [1, 3], [3]] == [np.flatnonzero(row).tolist() for row in more.activation]


def test_a_hidden_stroke_is_as_loud_as_its_drum_is_elsewhere() -> None:
    """What is much softer than the softest stroke of the drum in the take is none: it is what the snare's template
    lacks. Nor is one of a drum that is nowhere found, of which nobody knows how loud it is.
    """
    snare, under = gains(snare=0), gains(snare=0, floor=FEW_DB)

    assert {"snare"} == hidden_in(snare, under, gains(floor=FEW_DB + 10), expected="floor")[1][1]
    assert {"snare"} == hidden_in(snare, under, expected="floor")[1][1]


def test_what_is_louder_is_not_hidden() -> None:
    """A stroke that would be louder than what is thought to hide it needs the evidence that all others need."""
    under = mixtures(gains(hat=0), gains(snare=3))
    found = decompose.decompose(under, KNOWN, FAR_APART * np.arange(2.0), NEAR)
    wanted = np.broadcast_to(np.array(NAMES) == "snare", (2, len(NAMES)))
    louder = replace(under, energy=under.energy[[1, 1]])  # as if the hat had been found alone in what is a snare
    more = decompose.with_hidden(found, np.ones(2, bool), louder, KNOWN, FAR_APART * np.arange(2.0), NEAR, wanted,
                                 np.ones_like(wanted))

    assert {"hat"} == {NAMES[k] for k in np.flatnonzero(more.activation[0])}


def test_a_faint_candidate_is_a_hit_where_its_drum_is_expected() -> None:
    """What fits its template badly and stands hardly out is a hit in a row of its like alone."""
    found = decompose.decompose(mixtures(gains(kick=-3.0), floor=3e-3, jitter_db=6.0), KNOWN, np.zeros(1), NEAR)
    wanted = (np.array(NAMES) == "kick")[None]

    assert [False] == decompose.is_hit(found).tolist()
    assert [True] == decompose.is_expected_hit(found, wanted).tolist()
    assert [False] == decompose.is_expected_hit(found, ~wanted).tolist()


# ----------------------------------------------------------------------------------------------------------- composites


def sums(kinds: Templates, one: Sequence[int] = ()) -> NDArray[np.bool_]:
    """Which kinds are sums of two, where all but ``one`` are of different drums."""
    apart = np.ones((len(kinds.drum), len(kinds.drum)), bool)
    apart[np.ix_(one, one)] = False
    return decompose.composites(kinds, NEAR, 2.0, apart)


def test_a_kind_made_of_two_others_is_none() -> None:
    """Kick with hat is no kind of its own where both are known; the parts and an unlike kind are."""
    both = 0.6 * KICK + 0.4 * HAT
    kinds = templates(KICK, HAT, both / both.sum(), FLOOR, members=[30, 30, 8, 12])

    assert [False, False, True, False] == sums(kinds).tolist()


def test_a_mixture_struck_more_often_than_its_parts_is_none_either() -> None:
    """Kick with hat in every bar, each of them alone a few times: the mixture is the sum of the rarer two."""
    both = 0.6 * KICK + 0.4 * HAT
    kinds = templates(KICK, HAT, both / both.sum(), members=[4, 6, 90])

    assert [False, False, True] == sums(kinds).tolist()


def test_a_drum_is_no_sum_of_its_mixtures() -> None:
    """A kick that hardly ever sounds without something else is learned from those few times: mixtures hold more than
    their parts, however often they fall.
    """
    with_hat, with_snare = 0.7 * KICK + 0.3 * HAT, 0.7 * KICK + 0.3 * SNARE
    kinds = templates(KICK, with_hat / with_hat.sum(), with_snare / with_snare.sum(), HAT, SNARE,
                      members=[3, 80, 40, 60, 30])

    assert [False, True, True, False, False] == sums(kinds).tolist()


def test_a_kind_that_one_other_explains_is_no_sum() -> None:
    """A second way of striking a snare, a decibel or two from the first, is not the first with a little of something;
    nor is one of two kinds, or a lone one, a sum of anything.
    """
    double = SNARE * 10 ** (np.random.default_rng(4).normal(0, 1.5, SNARE.shape) / 10)
    kinds = templates(KICK, SNARE, double / double.sum(), HAT, members=[20, 30, 9, 40])

    assert not sums(kinds).any()
    assert [False, False] == sums(templates(SNARE, double)).tolist()
    assert [] == sums(learn_templates.select(KNOWN, np.zeros(4, bool))).tolist()


def test_two_ways_to_strike_one_drum_make_no_sum() -> None:
    """A rim shot may sound as a centre stroke and a side stick together would: nobody strikes one drum so twice."""
    rim = 0.6 * SNARE + 0.4 * HAT
    kinds = templates(SNARE, HAT, rim / rim.sum(), members=[30, 12, 8])

    assert [False, False, True] == sums(kinds).tolist()
    assert [False, False, False] == sums(kinds, one=[0, 1]).tolist()


def test_two_kinds_never_explain_away_each_other() -> None:
    """Of kinds without a mixture among them none is called one, and a rare real drum is kept."""
    kinds = templates(KICK, SNARE, HAT, FLOOR, members=[40, 30, 60, 2])

    assert not sums(kinds).any()


def test_the_number_of_workers_changes_nothing() -> None:
    """Candidates some of which reach into each other are explained alike, to the bit, one by one and by two workers."""
    some = mixtures(*(gains(kick=-3.0 * n, hat=-9.0) for n in range(6)))
    step = np.array([0.0, 40.0, 80.0, 400.0, 440.0, 1000.0])
    one = decompose.decompose(some, KNOWN, step, NEAR)
    with working(2):
        two = decompose.decompose(some, KNOWN, step, NEAR)
    alone = [decompose.decompose(take_rows(some, np.arange(a, b)), KNOWN, step[a:b], NEAR)
             for a, b in ((0, 3), (3, 5), (5, 6))]

    for field in ("activation", "evidence_db", "error_db", "single_error_db", "background_error_db", "background"):
        assert getattr(one, field).tobytes() == getattr(two, field).tobytes()
        assert getattr(one, field).tobytes() == np.concatenate([getattr(each, field) for each in alone]).tobytes()
