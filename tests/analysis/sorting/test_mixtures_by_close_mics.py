"""Mixtures by close mics: what a drum's own mic hears as it hears that drum holds it; what only sounds a little like it
does not.
"""

from __future__ import annotations

import numpy as np
import pytest
from stage_inputs import heard, template, templates

from oneshot.analysis.records import Templates
from oneshot.analysis.sorting import mixtures
from oneshot.analysis.sorting.features import added_energy
from oneshot.analysis.sorting.templates import overlap
from oneshot.core.records.session import Floats

MICS = 5
NEAR = np.ones(MICS, bool)
STANDS = {0: [0], 1: [1]}
"""Mic 0 is the kick's, mic 1 the floor tom's."""

KICK = template(1, MICS, (0, 1), 7.0, own=0)
FLOOR = template(2, MICS, (1, 2), 4.0, own=1)
CRASH = template(3, MICS, (7, 8, 9), 1.5)
HAT = template(4, MICS, (8, 9), 3.0)
CRASH[:3] *= 0.03  # it hangs over the kit: close mics hear it 15 dB below the overheads


def hits(kinds: Templates, counts: tuple[int, ...] = (10, 10, 4)) -> tuple[Floats, np.ndarray]:
    """Hits of each kind alone, their strengths and levels wavering by 3 and 1.5 dB: what they brought, and kinds."""
    rng = np.random.default_rng(7)
    kind = np.repeat(np.arange(len(counts)), counts)
    energy = np.stack([kinds.energy[k] * 10 ** (rng.normal(0, 3) / 10) * 10 ** (rng.normal(0, 1.5, KICK.shape) / 10)
                       for k in kind])
    return added_energy(heard(energy), np.arange(len(kind))), kind


def sounding_together(*parts: Floats) -> Floats:
    """Their sum, as the energies of a kind."""
    return np.asarray(sum(parts) / sum(part.sum() for part in parts))


def test_a_crash_that_only_falls_with_the_kick_holds_it() -> None:
    """The kick's mic tells; what is left is the crash, where the kick does not hide it, with no onsets of its own."""
    kinds = templates(KICK, FLOOR, sounding_together(KICK, CRASH))
    kinds.onset_ms[:] = np.arange(MICS)

    found = mixtures.contained_drums(*hits(kinds), kinds, STANDS, NEAR)
    made, left = mixtures.subtracted(kinds, found, NEAR)

    assert {2: {0: mixtures.Contained(0, 0.0)}} == found
    assert left.all()
    rest, crash = made.energy[2], CRASH / CRASH.sum()
    plain = (rest > 0) & (crash > 5 * KICK)
    assert plain.sum() > 100
    assert pytest.approx(0.0, abs=0.5) == float(np.median(10 * np.log10(rest[plain] / crash[plain])))
    assert rest[0, :2].sum() < 0.02 * KICK[0, :2].sum()
    assert np.isnan(made.onset_ms[2]).all()
    np.testing.assert_array_equal(kinds.onset_ms[:2], made.onset_ms[:2])
    np.testing.assert_array_equal(kinds.energy[:2], made.energy[:2])


def test_what_a_take_lacks_says_nothing_of_the_others() -> None:
    """Most hits are of a take without the kick's mic: what the others show there still tells which kind holds it; where
    none is left, nothing is told.
    """
    kinds = templates(KICK, FLOOR, sounding_together(KICK, CRASH))
    own, kind = hits(kinds, (10, 10, 9))
    there = np.ones((len(kind), MICS), bool)
    there[[*range(6), *range(20, 26)], 0] = False
    own[~there] = 0.0

    assert {2: {0: mixtures.Contained(0, 0.0)}} == mixtures.contained_drums(own, kind, kinds, STANDS, NEAR, there)
    there[:, 0] = False
    assert {} == mixtures.contained_drums(own, kind, kinds, STANDS, NEAR, there)


def test_two_drums_at_once_leave_no_kind() -> None:
    """A fill's last stroke, floor tom and kick, holds both; nothing is left of it."""
    kinds = templates(KICK, FLOOR, sounding_together(KICK, FLOOR))

    found = mixtures.contained_drums(*hits(kinds), kinds, STANDS, NEAR)

    assert {2: {0: mixtures.Contained(0, 0.0), 1: mixtures.Contained(1, 0.0)}} == found
    assert [True, True, False] == mixtures.subtracted(kinds, found, NEAR)[1].tolist()


def test_a_kick_that_comes_a_moment_later_is_held() -> None:
    """A hat with a kick 14 ms behind it holds the kick from there on; what is left of it is the hat."""
    hat = HAT * np.where(np.arange(MICS) == 0, 0.01, 1.0)[:, None, None]
    kinds = templates(KICK, FLOOR, sounding_together(KICK @ overlap(-5.0), hat))

    found = mixtures.contained_drums(*hits(kinds), kinds, STANDS, NEAR)
    rest = mixtures.subtracted(kinds, found, NEAR)[0].energy[2]

    assert {2: {0: mixtures.Contained(0, 5.0)}} == found
    assert pytest.approx(hat[:, :8].sum() / hat.sum(), abs=0.02) == rest[:, :8].sum()


@pytest.mark.parametrize(("softer_db", "held"), [(6.0, True), (14.0, False)])
def test_bleed_of_the_same_shape_lies_deeper(softer_db: float, held: bool) -> None:
    """What comes to the kick's mic as the kick does, but 14 dB softer, is bleed; 6 dB softer it is a soft kick."""
    kinds = templates(KICK, FLOOR, CRASH + KICK * 10 ** (-softer_db / 10))

    assert held == (2 in mixtures.contained_drums(*hits(kinds), kinds, STANDS, NEAR))


def test_loud_bleed_of_another_shape_is_not_held() -> None:
    """A hat as loud in the kick's mic as the kick itself is no kick."""
    kinds = templates(KICK, FLOOR, HAT / HAT[0].sum() * KICK[0].sum())

    assert {} == mixtures.contained_drums(*hits(kinds), kinds, STANDS, NEAR)


def test_other_mics_may_speak_against_it() -> None:
    """What looks like the kick in its mic and lacks in all others what the kick brings there does not hold it."""
    alike = KICK.copy()
    alike[1:] *= 1e-3
    alike[1:, 7:] += CRASH[1:, 7:]
    kinds = templates(KICK, FLOOR, alike)

    assert {} == mixtures.contained_drums(*hits(kinds), kinds, STANDS, NEAR)


def test_a_drum_that_hardly_ever_stands_alone_tells_nothing() -> None:
    """Two strokes of the kick alone say too little of what its mic hears."""
    kinds = templates(KICK, FLOOR, sounding_together(KICK, CRASH))

    assert {} == mixtures.contained_drums(*hits(kinds, (2, 10, 4)), kinds, STANDS, NEAR)
    assert {} == mixtures.contained_drums(*hits(kinds), kinds, {0: [], 1: [1]}, NEAR)
