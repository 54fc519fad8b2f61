"""Rings: two toms at one place are told by their pitches; one head struck in two ways stays one."""

from __future__ import annotations

import numpy as np
import pytest

from oneshot.analysis.sorting import rings
from oneshot.audio.descriptors import MOST_PARTIALS
from oneshot.core.records.session import Floats

RATE = 48000
FRAMES = round((rings.RING_S[1] - rings.RING_S[0]) * RATE)
QUIET = np.random.default_rng(1).normal(0, 1e-4, FRAMES)

BESSEL_ZEROS = (2.4048, 3.8317, 5.1356)
"""First zeros of J0, J1 and J2 (Abramowitz and Stegun, Handbook of Mathematical Functions, table 9.5): an ideal
membrane's modes 01, 11 and 21 ring at these ratios, and 11 and 21 stay silent where it is struck in the centre.
"""


def ring(*partials: tuple[float, float], decay_s: float = 0.2) -> Floats:
    """The ring of a head: partials as (Hz, level), from 30 ms after the arrival on."""
    at = rings.RING_S[0] + np.arange(FRAMES) / RATE
    return sum(level * np.sin(2 * np.pi * hz * at) for hz, level in partials) * np.exp(-at / decay_s) + QUIET


def head(hz: float, *, edge: float) -> Floats:
    """An ideal membrane tuned to ``hz``, struck so that its modes 11 and 21 ring at ``edge`` times its lowest."""
    ratio = np.array(BESSEL_ZEROS) / BESSEL_ZEROS[0]
    return ring((hz, 1.0), (hz * ratio[1], edge), (hz * ratio[2], edge / 2))


def read(*each: Floats) -> Floats:
    """The partials (hits, 4) of some rings out of quiet."""
    out = np.full((len(each), MOST_PARTIALS), np.nan)
    for row, x in zip(out, each, strict=True):
        found = rings.own_partials_hz(x, QUIET, RATE)
        row[: len(found)] = found
    return out


def only(*hz: float) -> Floats:
    """Hits that ring at one partial each, NaN where at none."""
    return np.stack([np.array(hz), *[np.full(len(hz), np.nan)] * (MOST_PARTIALS - 1)], axis=1)


@pytest.mark.parametrize("hz", [62.0, 86.0, 128.0, 171.0, 240.0])
def test_a_ring_is_read_from_80_ms(hz: float) -> None:
    """The pitch of a tom, a kick or a snare's head is read to a third of a semitone."""
    found = rings.own_partials_hz(ring((hz, 1.0)), QUIET, RATE)
    assert abs(1200 * np.log2(found[0] / hz)) < 33


def test_what_rang_before_and_what_has_no_pitch_is_not_the_hits() -> None:
    """A kick that rings on under a hat says nothing of the hat, nor do wires or the ring of a stick."""
    kick, wires = ring((56.0, 1.0)), np.random.default_rng(2).normal(0, 0.3, FRAMES)
    assert [] == rings.own_partials_hz(kick, 1.2 * kick, RATE)
    assert [] == rings.own_partials_hz(wires, QUIET, RATE)
    assert [] == rings.own_partials_hz(ring((430.0, 1.0)), QUIET, RATE)
    assert [] == rings.own_partials_hz(np.zeros(FRAMES), np.zeros(FRAMES), RATE)


def test_centre_and_edge_of_one_head_share_a_partial() -> None:
    """Struck at the edge a head's mode 11 is the louder, but both ring: it is one drum."""
    centre, edge = read(head(110.0, edge=0.0)), read(head(110.0, edge=1.6))
    assert edge[0, 0] > 150
    assert not rings.unlike(centre, edge).any()


def test_toms_a_third_apart_ring_at_other_pitches() -> None:
    """A minor third and more tells two toms; what 80 ms do not tell apart, or is not known, is not said."""
    assert rings.unlike(read(head(128.0, edge=0.2)), read(head(170.0, edge=0.2))).all()
    assert not rings.unlike(only(141.0), only(157.0)).any()
    assert not rings.unlike(only(86.0), only(np.nan)).any()


def test_a_template_of_two_toms_is_parted() -> None:
    """Hits that cluster by place and sound are parted by pitch, those of no known pitch put to the nearer part."""
    hz = only(103, 108, 109, 102, 175, 171, 174, 175, np.nan, np.nan)
    distance = np.full((10, 10), 2.0)
    distance[8, 4:8] = distance[9, :4] = 1.0
    assert [0] * 4 + [1] * 4 + [1, 0] == rings.parted(np.zeros(10, np.int64), hz, distance).tolist()


def test_a_template_of_one_pitch_stays() -> None:
    """A head's pitch moves with strength, two hits of another are chance, and wide scatter is no second drum."""
    none = np.zeros((8, 8))
    for hz in (only(100, 101, 102, 103, 104, 105, 106, 107), only(86, 87, 86, 88, 86, 87, 150, 151),
               only(60, 75, 95, 120, 150, 185, 230, 290)):
        assert [0] * 8 == rings.parted(np.zeros(8, np.int64), hz, none).tolist()


def test_other_pitches_speak_against_one_drum() -> None:
    """Templates that ring at other pitches are hardly of one drum; where one has none, nothing is said."""
    template = np.repeat([0, 1, 2], 3)
    found = rings.other_pitch(template, only(86, 87, 85, 138, 139, 140, np.nan, np.nan, 86), 3)
    assert found[0, 1] == found[1, 0] == rings.OTHER_PITCH_LN
    assert 2 == np.count_nonzero(found)
