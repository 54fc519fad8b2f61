"""Hidden: what may lie under a hit unheard, on two drums of which everything is known."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest

from oneshot.analysis.measurement.bleed import CLEAR_DB, reported_db
from oneshot.analysis.measurement.envelopes import EDGES, Windows
from oneshot.analysis.measurement.masking import Masked, masked
from oneshot.analysis.records import Played, TakeScan
from oneshot.core.records.session import Floats

RATE, HOP, BANDS = 48000, 128, 10
LONG = np.ones(BANDS)
SOFT_DB = -15.0
WINDOW = 75
"""Steps of 200 ms."""


def found(at_s: list[float], kind: list[int], spectra: Floats, lasts: tuple[int, int] = (104, 104),
          unheard: tuple[int, ...] = ()) -> tuple[Masked, Floats]:
    """What may be hidden under strokes at these times, and their own energies (hits, mics).

    ``spectra``: float64 (kinds, mics, bands), mean squares of a stroke of 0 dB; ``lasts``: steps, of each kind;
    ``unheard``: strokes under which one of the second kind lies that was not found.
    """
    mics = spectra.shape[1]
    envelopes = spectra[..., None] * (EDGES[1:] <= np.array(lasts)[:, None, None, None])
    power = np.full((mics, round(max(at_s) * RATE / HOP) + 200, BANDS), 1e-9)
    for n, (at, k) in enumerate(zip(at_s, kind, strict=True)):
        first = int(at * RATE / HOP)
        power[:, first : first + lasts[k]] += spectra[k, :, None]
        power[:, first : first + lasts[1]] += spectra[1, :, None] * (n in unheard)
    scan = TakeScan("t", RATE, HOP, (10 * np.log10(power)).astype(np.float16), np.full((mics, BANDS), -90.0),
                    np.zeros((mics, 1, 2), np.float32), np.ones(mics, np.float32), np.zeros(mics, np.int64),
                    np.zeros(mics, np.int64))
    start = np.array(at_s) * RATE / HOP
    gain = np.zeros((len(kind), len(spectra)))
    gain[np.arange(len(kind)), kind] = 1.0
    played = Played(scan, start, np.repeat(start[:, None], mics, axis=1).astype(np.int64), gain, np.array(kind),
                    np.zeros((len(kind), mics, BANDS)), np.arange(mics), np.zeros(len(kind), np.int64))
    own = spectra[kind] * WINDOW
    empty = {f.name: np.zeros((len(kind), mics)) for f in fields(Windows)}
    windows = Windows(**{**empty, "own": own, "other": np.zeros_like(own)})
    return masked(played, envelopes, windows, np.arange(len(spectra))), own.sum(axis=2)


def alike(*mics: tuple[float, float]) -> Floats:
    """Two drums of one spectrum at these levels (dB) in each mic: (kinds, mics, bands)."""
    return np.moveaxis(np.array([[10 ** (level / 10) * LONG for level in mic] for mic in mics]), 0, 1)


def test_a_soft_drum_in_play_may_hide_under_a_loud_one() -> None:
    """One mic, one spectrum, 15 dB softer and struck half a second away: it may lie there with all its energy."""
    told, own = found([0.0, 0.5, 1.0, 1.5], [0, 1, 0, 1], alike((0.0, SOFT_DB)))

    assert pytest.approx(10 * np.log10(told.energy[0, 0] / own[0, 0]), abs=0.01) == SOFT_DB


def test_what_rings_longer_is_heard_when_the_hit_is_over() -> None:
    """Of a drum that rings on after the loud one is over nothing can lie hidden under it; where something is heard
    there that is as loud, it may.
    """
    drums = alike((0.0, SOFT_DB))
    told, _ = found([0.0, 0.5, 1.0, 1.5], [0, 1, 0, 1], drums, lasts=(32, 104))
    more, own = found([0.0, 0.5, 1.0, 1.5], [0, 1, 0, 1], drums, lasts=(32, 104), unheard=(2,))

    assert np.all(told.energy[[0, 2]] == 0)
    assert more.energy[0, 0] == 0
    assert pytest.approx(10 * np.log10(more.energy[2, 0] / own[2, 0]), abs=3.0) == SOFT_DB


def test_nothing_is_held_against_strokes_played_one_by_one() -> None:
    """Of two drums that are never struck within a second of each other neither may hide under the other."""
    told, _ = found([0.0, 1.5, 3.0, 4.5], [0, 1, 0, 1], alike((0.0, SOFT_DB)))

    assert np.all(told.energy == 0)
    assert np.all(told.peak == 0)


def test_a_mic_near_a_drum_betrays_it() -> None:
    """With a second mic in which the soft drum is the louder one by 20 dB, it may not hide in the first one, either."""
    told, _ = found([0.0, 0.5, 1.0, 1.5], [0, 1, 0, 1], alike((0.0, SOFT_DB), (-20.0, 0.0)))

    assert np.all(told.energy[[0, 2]] == 0)


def test_a_loud_drum_does_not_hide_under_a_soft_one() -> None:
    """The loud drum would be heard over the soft one, and nobody strikes it as softly as would go unheard."""
    told, _ = found([0.0, 0.5, 1.0, 1.5], [0, 1, 0, 1], alike((0.0, SOFT_DB)))

    assert np.all(told.energy[[1, 3]] == 0)


def test_a_drum_that_is_known_to_be_there_does_not_hide() -> None:
    """A hit of the only drum in play has nothing hidden under it."""
    told, _ = found([0.0, 0.5, 1.0], [0, 0, 0], alike((0.0, SOFT_DB)))

    assert np.all(told.energy == 0)


def test_bleed_in_doubt_does_not_call_a_mic_usable() -> None:
    """An estimate stands as it is, unless it alone would make the mic usable, or by less than its usual error, which
    counts more in the home mic, the last here: then the limit is told.
    """
    estimate = np.array([-30.0, -30.0, -20.5, -21.5, -10.0, np.nan, -21.5])
    most = np.array([-25.0, -12.0, -20.4, -30.0, -5.0, np.nan, -30.0])

    np.testing.assert_array_equal([-30.0, CLEAR_DB, CLEAR_DB, -21.5, -10.0, np.nan, CLEAR_DB],
                                  reported_db(estimate, most, 6))
