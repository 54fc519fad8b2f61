"""Weak strokes of a rarer articulation: given to it where they surely lean its way, and nothing else is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import cast

import numpy as np
import pytest
from stage_inputs import BANDS, RATE, STRETCHES, noise, session_at, take_of

from oneshot.analysis.records import Arrivals, Onsets, Shares, TakeScan
from oneshot.analysis.result import Detected, Named, Strokes
from oneshot.analysis.sorting import articulations
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Floats, Take

LEVELS = len(articulations.EDGES_HZ) - 1


def spectra(count: int, seed: int, *, ring_db: float = 0.0, at: tuple[int, ...] = (18, 23, 27, 30),
            strength: Floats | None = None) -> Floats:
    """Spectra in dB (hits, levels) of strokes of one drum, 1 dB of spread in each level, brighter the harder they are;
    ``ring_db``: how far narrow partials at those levels stand out.
    """
    rng = np.random.default_rng(seed)
    hard = rng.uniform(-20, 0, count) if strength is None else strength
    level = np.linspace(0, -20, LEVELS) + hard[:, None] * (1 + 0.01 * np.arange(LEVELS))
    level += rng.normal(0, 1, level.shape)
    level[:, list(at)] += ring_db
    return np.asarray(level)


def test_a_weak_rim_shot_goes_to_the_rim_shots() -> None:
    """A third of the rim's ring at the rim's own partials tells a rim shot, also where a tenth of the levels is not
    known; as much at other places does not.
    """
    weak, other = spectra(2, 3, ring_db=5.0), spectra(2, 4, ring_db=5.0, at=(5, 9, 35, 39))
    weak[:, ::10] = np.nan
    level = np.concatenate([spectra(40, 1), spectra(6, 2, ring_db=15.0), weak, other])
    label = np.array([0] * 40 + [1] * 6 + [0] * 4)

    assert [0] * 40 + [1] * 8 + [0] * 2 == articulations.reassign(level, label).tolist()


def test_of_two_rarer_articulations_the_one_it_leans_to() -> None:
    """A weak stroke of one goes to that one, not to the other."""
    level = np.concatenate([spectra(40, 1), spectra(6, 2, ring_db=15.0), spectra(6, 3, ring_db=15.0, at=(2, 6, 33, 40)),
                            spectra(1, 4, ring_db=6.0), spectra(1, 5, ring_db=6.0, at=(2, 6, 33, 40))])
    label = np.array([0] * 40 + [1] * 6 + [2] * 6 + [0] * 2)

    assert [1, 2] == articulations.reassign(level, label)[-2:].tolist()


def test_ordinary_strokes_stay() -> None:
    """Of 400 ordinary strokes in ten drums, soft and hard, none is given away; nor is one where too few are ordinary,
    one far softer than the clear ones, or where more would go than there are clear ones.
    """
    for seed in range(10):
        label = np.array([0] * 40 + [1] * 5)
        both = np.concatenate([spectra(40, seed), spectra(5, 50 + seed, ring_db=15.0)])
        assert label.tolist() == articulations.reassign(both, label).tolist()

    few = np.concatenate([spectra(8, 1), spectra(5, 2, ring_db=15.0), spectra(1, 3, ring_db=6.0)])
    assert [0] * 8 + [1] * 5 + [0] == articulations.reassign(few, np.array([0] * 8 + [1] * 5 + [0])).tolist()

    faint = np.concatenate([spectra(40, 1), spectra(5, 2, ring_db=15.0, strength=np.linspace(-4, 0, 5)),
                            spectra(1, 3, ring_db=6.0, strength=np.array([-18.0]))])
    assert [0] * 40 + [1] * 5 + [0] == articulations.reassign(faint, np.array([0] * 40 + [1] * 5 + [0])).tolist()

    many = np.concatenate([spectra(40, 1), spectra(4, 2, ring_db=15.0), spectra(6, 3, ring_db=6.0)])
    assert [0] * 40 + [1] * 4 + [0] * 6 == articulations.reassign(many, np.array([0] * 40 + [1] * 4 + [0] * 6)).tolist()


@pytest.mark.parametrize("rate", [44100, 48000, 96000, 192000])
def test_a_tone_stands_in_its_sixth_of_an_octave(rate: int) -> None:
    """A tone in the middle of a level is loudest there and 15 dB down three levels away, at every rate."""
    for level in (6, 20, 35):
        hz = float(np.sqrt(articulations.EDGES_HZ[level] * articulations.EDGES_HZ[level + 1]))
        seen = articulations.spectrum_db(np.sin(2 * np.pi * hz * np.arange(round(0.1 * rate)) / rate)[None], rate)[0]

        assert level == int(seen.argmax())
        assert seen[level] - 15 > seen[[level - 3, level + 3]].max()


def test_white_noise_is_level_and_what_cannot_be_recorded_is_not_known() -> None:
    """White noise has the same mean power in every level (within what 100 ms of it scatter); above half the sample rate
    nothing is known.
    """
    seen = np.mean([articulations.spectrum_db(noise(RATE // 10, -20.0, seed)[None], RATE)[0] for seed in range(60)],
                   axis=0)
    assert 1.0 > np.abs(seen[12:] - seen[12:].mean()).max()

    low = articulations.spectrum_db(noise(1600, -20.0, 1)[None], 16000)[0]
    assert np.isnan(low[articulations.EDGES_HZ[:-1] > 8000]).all()
    assert not np.isnan(low[articulations.EDGES_HZ[1:] < 8000]).any()


def strokes_in(take: Take, first: Sequence[float], way: list[int]) -> Strokes:
    """Strokes of one kind at those frames, each known alone in the take's two mics."""
    count, frames = len(way), np.asarray(first, np.int64)
    nothing, rise = np.zeros((count, 1, 2)), np.full(count, 10.0)
    heard = Detected(take, cast("TakeScan", None), np.ones(2, bool),
                     Onsets(take.name, frames, rise, np.tile(rise[:, None], 2)),
                     Arrivals(take.name, frames, np.tile(frames[:, None], 2), np.zeros((count, 2)), np.zeros(2)),
                     np.full(count, -1, np.int64))
    return Strokes(heard, np.arange(count), np.zeros(count, np.int64), np.ones((count, 1)), np.ones(count),
                   Shares(nothing, nothing[:, 0]), np.zeros((count, 2, BANDS, STRETCHES)), np.array(way, np.int64),
                   np.full(count, -1))


def take_in(root: Path, name: str, own: Floats, above: Floats) -> Take:
    """A take of a snare's own mic and an overhead in a folder of that name."""
    take = take_of(root / name, {"Snare Top": own, "OH": above}, [Role.CLOSE, Role.OVERHEAD])
    return replace(take, mics=tuple(
        replace(m, drum="snare" if m.role is Role.CLOSE else None,
                sources=tuple(replace(s, path=f"{name}/{s.path}") for s in m.sources)) for m in take.mics))


def test_weak_strokes_are_heard_in_the_drums_own_mic(tmp_path: Path) -> None:
    """From recordings: bursts with a fifth of the ring of two partials go to those that have all of it; an overhead
    that hears something else takes no part, nor does a take in which the drum is not played.
    """
    way, ring = [0] * 30 + [1] * 5 + [0] * 2, [0.0] * 30 + [1.0] * 5 + [0.2] * 2
    first = (np.arange(len(way)) * 0.25 + 0.1) * RATE
    fall = np.exp(-np.arange(RATE // 5) / (0.03 * RATE))
    tones = sum(np.sin(2 * np.pi * hz * np.arange(RATE // 5) / RATE) for hz in (1150.0, 1930.0))
    own, above = noise(10 * RATE, -90.0, 1), noise(10 * RATE, -30.0, 2)
    rng = np.random.default_rng(3)
    drum = rng.standard_normal(RATE // 5)  # what all its strokes share
    for at, share in zip(first.astype(int), ring, strict=True):
        burst = drum + 0.2 * rng.standard_normal(RATE // 5) + 2.0 * share * np.asarray(tones)
        own[at : at + RATE // 5] += 0.1 * 10 ** (rng.uniform(-12, 0) / 20) * fall * burst
    takes = [take_in(tmp_path, "one", own, above), take_in(tmp_path, "two", above, above)]
    named = Named({0: "snare"}, {0: "snare"}, {(0, 0): "centre", (0, 1): "rimshot"}, {0: "Snare Top"})
    strokes = [strokes_in(takes[0], first.tolist(), way), strokes_in(takes[1], [], [])]
    session = session_at(tmp_path, *takes)
    told = articulations.reassign_weak(session, strokes, np.zeros(1, np.int64), named, takes[0].mics)

    assert [0] * 30 + [1] * 7 == told[0].articulation.tolist()
    assert [] == told[1].articulation.tolist()
    assert way == strokes[0].articulation.tolist()
