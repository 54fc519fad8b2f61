"""Mixtures: a drum that was never heard alone is what another one leaves of a mixture."""

from __future__ import annotations

import numpy as np
import pytest
from stage_inputs import template, templates

from oneshot.analysis.records import Templates
from oneshot.analysis.sorting import drums, features, mixtures
from oneshot.core.records.session import Floats, Frames

MICS = 6
NEAR = np.ones(MICS, bool)
KICK, SNARE, HAT, TOM = (template(seed, MICS, tops, decay, own) for own, (seed, tops, decay) in enumerate(
    ((11, (0, 1), 7.0), (12, (2, 3, 4, 5), 4.0), (13, (6, 7, 8, 9), 3.0), (14, (1, 2), 2.5))))


def mixed(*parts: tuple[Floats, float]) -> Floats:
    """A sum of strokes at those strengths in dB, scaled to sum 1."""
    total = np.sum([stroke * 10 ** (level / 10) for stroke, level in parts], axis=0)
    return np.asarray(total / total.sum())


def taken_apart(kinds: Templates) -> tuple[Templates, Frames]:
    """The kinds after untangling, with the distances that the pipeline gives."""
    apart = drums.apart(*features.between_db(kinds, NEAR), MICS)
    return mixtures.untangle(kinds, apart, NEAR)


def off_db(expected: Floats, found: Floats) -> Floats:
    """Difference in dB at the levels that were kept, strength aside."""
    known = found > 0
    away = 10 * np.log10(found[known] / expected[known])
    return np.asarray(away - np.median(away))


# ---------------------------------------------------------------------------------------------------------- containment


@pytest.mark.parametrize("level_db", [0.0, -6.0])
def test_a_mixture_stands_at_one_ratio_to_its_part(level_db: float) -> None:
    """Where the hat is louder, kick with hat is the hat at one ratio, and that ratio is told to half a decibel."""
    both = mixed((KICK, 0.0), (HAT, level_db))
    expected = level_db - 10 * np.log10(1 + 10 ** (level_db / 10))

    share, ratio = mixtures.containment(templates(HAT, both), NEAR)

    assert share[1, 0] > 0.4
    assert expected == pytest.approx(ratio[1, 0], abs=0.5)
    assert share[1, 0] > 2 * share[0, 1]


def test_unlike_drums_do_not_contain_each_other() -> None:
    """Levels of two drums agree at one ratio by chance only, far less often than those of a mixture and its part."""
    share, _ = mixtures.containment(templates(KICK, SNARE, HAT, TOM), NEAR)

    assert share[~np.eye(4, dtype=bool)].max() < 0.35
    assert 0.0 == np.diag(share).max()


# ----------------------------------------------------------------------------------------------------------- untangling


def test_a_drum_never_heard_alone_is_found() -> None:
    """Kick always with hat, the hat also alone: what is left of the mixture is the kick, level by level to a
    decibel.
    """
    kinds, variant = taken_apart(templates(HAT, SNARE, mixed((KICK, 0.0), (HAT, -4.0)), members=[40, 20, 16]))
    rest = kinds.energy[2]

    assert 3 == len(kinds.members)
    assert -1 == variant[2]
    assert (rest > 0).mean() > 0.15
    assert np.abs(off_db(KICK, rest)).max() < 1.5
    assert rest[:, :3].sum() > 0.8


@pytest.mark.parametrize("hat_db", [-3.0, -8.0])
def test_the_hat_in_a_kick_with_hat_is_taken_out(hat_db: float) -> None:
    """Kick and hat both known alone: of "kick with hat" the hat is taken out, and what is left goes with the kick; the
    hat and the kick stay as they are.
    """
    whole = mixed((KICK, 0.0), (HAT, hat_db))
    plain = templates(HAT, KICK, whole, members=[40, 20, 16])
    kinds, variant = taken_apart(plain)
    high, before = kinds.energy[2][:, 8:].sum(), whole[:, 8:].sum()

    assert [-1, -1, 1] == variant.tolist()
    np.testing.assert_array_equal(plain.energy[:2], kinds.energy[:2])
    assert high < 0.1 * before
    assert np.abs(off_db(KICK, kinds.energy[2])).max() < 1.5


@pytest.mark.parametrize(("hat_evidence", "mics_known", "kept"), [
    (5.0, MICS, False), (-5.0, MICS, True), (-5.0, mixtures.FEWEST_MICS - 1, False), (None, MICS, False),
])
def test_a_mixture_keeps_only_onsets_that_are_not_those_of_what_is_taken_out(hat_evidence: float | None,
                                                                             mics_known: int, kept: bool) -> None:
    """Kick with hat that arrives as the hat does knows nothing of when the kick arrives; if it arrives otherwise, in
    four mics or more, its onsets are the kick's. What is no mixture keeps its own.
    """
    plain = templates(HAT, SNARE, mixed((KICK, 0.0), (HAT, -4.0)), members=[40, 20, 16])
    plain.onset_ms[:], plain.onset_error_ms[:] = np.arange(MICS), 0.1
    plain.onset_ms[2, mics_known:] = np.nan
    same_place = None
    if hat_evidence is not None:
        same_place = np.zeros((3, 3))
        same_place[2, 0] = same_place[0, 2] = hat_evidence
    apart = drums.apart(*features.between_db(plain, NEAR), MICS)
    kinds, _ = mixtures.untangle(plain, apart, NEAR, same_place=same_place)

    for before, after in ((plain.onset_ms, kinds.onset_ms), (plain.onset_error_ms, kinds.onset_error_ms)):
        np.testing.assert_array_equal(before[2] if kept else np.full(MICS, np.nan), after[2])
        np.testing.assert_array_equal(before[:2], after[:2])


def test_what_was_hidden_is_not_made_up() -> None:
    """Levels that the hat hides are not known of the kick: they hold no energy, but a limit that the kick keeps to."""
    kinds, _ = taken_apart(templates(HAT, SNARE, mixed((KICK, 0.0), (HAT, -4.0)), members=[40, 20, 16]))
    hidden = kinds.energy[2] == 0
    scale = np.median(kinds.energy[2][~hidden] / KICK[~hidden])

    assert hidden[:, 7:].all()
    assert (kinds.limit[2][hidden] >= 0.9 * scale * KICK[hidden]).all()


def test_kinds_that_contain_nothing_stay() -> None:
    """Four drums heard alone come back as they were, variants of nothing."""
    plain = templates(KICK, SNARE, HAT, TOM, members=[9, 30, 50, 7])
    kinds, variant = taken_apart(plain)

    np.testing.assert_array_equal(plain.energy, kinds.energy)
    np.testing.assert_array_equal(plain.members, kinds.members)
    assert [-1] * 4 == variant.tolist()


def test_strokes_of_one_drum_are_no_mixture() -> None:
    """A harder stroke with more top is a kind of its own, not a mixture with something else."""
    bright = SNARE.copy()
    bright[:, 6:] *= 4
    plain = templates(KICK, SNARE, bright / bright.sum(), members=[20, 30, 30])
    kinds, variant = taken_apart(plain)

    np.testing.assert_array_equal(plain.energy, kinds.energy)
    assert [-1] * 3 == variant.tolist()


def test_a_mixture_of_two_known_drums_adds_none() -> None:
    """Snare with hat, both known alone: no drum comes out of it that is neither."""
    kinds, variant = taken_apart(templates(HAT, SNARE, mixed((SNARE, 0.0), (HAT, -3.0)), members=[40, 30, 10]))
    for k in range(2, len(kinds.members)):
        assert variant[k] in (0, 1) or np.abs(off_db(SNARE, kinds.energy[k])).max() < 1.5 \
            or np.abs(off_db(HAT, kinds.energy[k])).max() < 1.5


@pytest.mark.parametrize(("owner", "expected"), [((0, 1, 1), -1), ((-1, 1, 1), -1), ((0, 1, -1), 0), ((1, 1, 1), 0)])
def test_what_a_close_mic_owns_is_no_variant_of_another_drum(owner: tuple[int, ...], expected: int) -> None:
    """Toms that are always struck with a louder ride: where their own mic hears them they are a drum of their own;
    where no mic, or the ride's, owns the mixture, it goes with the ride.
    """
    kinds = templates(HAT, SNARE, mixed((TOM, -3.0), (HAT, 0.0)), members=[40, 30, 12])
    apart = drums.apart(*features.between_db(kinds, NEAR), MICS)

    _, variant = mixtures.untangle(kinds, apart, NEAR, None, np.array(owner))

    assert expected == variant[2]


def test_a_rest_heard_once_is_not_trusted() -> None:
    """A mixture heard a single time makes no drum."""
    kinds, _ = taken_apart(templates(HAT, SNARE, mixed((KICK, 0.0), (HAT, -4.0)), members=[40, 20, 1]))

    assert 2 == len(kinds.members)


def test_energies_stay_scaled() -> None:
    """What is left of a mixture is a stroke of sum 1 again, like every template."""
    kinds, _ = taken_apart(templates(HAT, SNARE, mixed((KICK, 0.0), (HAT, -4.0)), members=[40, 20, 16]))

    np.testing.assert_allclose(1.0, kinds.energy.sum(axis=(1, 2, 3)))


# ------------------------------------------------------------------------------------------------------- heard alone


def test_hits_of_one_stroke_say_what_explains_them() -> None:
    """One kind alone is told; two at once and none are not."""
    assert [1, -1, -1, 0] == mixtures.alone(np.array([[0.0, 2.0], [1.0, 1.0], [0.0, 0.0], [0.5, 0.0]])).tolist()
    assert [-1] == mixtures.alone(np.zeros((1, 0))).tolist()
