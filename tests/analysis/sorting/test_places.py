"""Places: delays that no single hit shows, read off all hits of a template, and what two templates' delays say."""

from __future__ import annotations

import tracemalloc
from dataclasses import replace
from pathlib import Path
from typing import cast

import numpy as np
import pytest
from numpy.typing import NDArray
from stage_inputs import RATE, add, noise, strike, take_of

from oneshot.analysis.records import Arrivals, Onsets, TakeScan
from oneshot.analysis.result import Detected
from oneshot.analysis.sorting import places
from oneshot.audio.io import read_audio
from oneshot.core.errors import AudioError
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Floats, Floats32, Mic
from oneshot.core.workers import working

DELAY_MS = np.array([0.0, 1.3, 2.2, 3.9, 5.0, 6.4])
GAIN_DB = np.array([0.0, -10.0, -14.0, -16.0, -18.0, -20.0])
"""A drum that six mics hear the later and softer the further away they stand."""

COUNT = 40


def struck(folder: Path, *, count: int = COUNT, seed: int = 1, over_db: float = -26.0, jitter_ms: float = 2.0,
           softest_db: float = -12.0, late: int = 0, dead: int | None = None, rate: int = RATE) -> Detected:
    """A take of one drum, its strokes down to ``softest_db``, in six mics of all of which something else still rings
    that was struck 30 to 90 ms earlier: ``over_db`` re the drum in its own mic, as loud as the drum in the far ones.

    First arrivals are known to ``jitter_ms``, those of the last ``late`` hits 10 ms late; mic ``dead`` recorded
    nothing.
    """
    rng = np.random.default_rng(seed)
    at = np.round((0.3 + 0.3 * np.arange(count)) * rate).astype(np.int64)
    level, strokes = rng.uniform(softest_db, 0, count), [strike(100 + i, 0.03, rate) for i in range(count)]
    mics = {}
    for m, (delay_ms, gain_db) in enumerate(zip(DELAY_MS, GAIN_DB, strict=True)):
        x = noise(int(at[-1]) + rate, -80, 10 * seed + m)
        for i in range(count):
            before = round(rng.uniform(0.03, 0.09) * rate)
            add(x, int(at[i]) - before, strike(1000 * m + i, 0.3, rate, 1.0), over_db + rng.uniform(-4, 4))
            add(x, int(at[i]) + round(delay_ms * rate / 1000), strokes[i], gain_db + level[i])
        mics[f"mic {m + 1}"] = x * (m != dead)
    take = take_of(folder, mics, [Role.CLOSE] + [Role.OVERHEAD] * 5, rate)
    late_ms = np.where(np.arange(count) >= count - late, 10.0, 0.0)
    first = at + np.round((rng.uniform(-1, 1, count) * jitter_ms + late_ms) * rate / 1000).astype(np.int64)
    return detected(take.name, take.mics, first, Detected(
        take, cast("TakeScan", None), np.ones(6, bool), cast("Onsets", None), cast("Arrivals", None), first))


def detected(name: str, mics: tuple[Mic, ...], first: NDArray[np.int64], into: Detected) -> Detected:
    """What was detected in a take, with these first arrivals of its hits."""
    unknown = np.full((len(first), len(mics)), -1)
    return replace(into, onsets=Onsets(name, first, np.full(len(first), 10.0), np.ones(unknown.shape)),
                   arrivals=Arrivals(name, first, unknown, np.full(unknown.shape, np.nan), np.zeros(len(mics))),
                   begin=np.full(len(first), -1, np.int64))


def rises(folder: Path, heard: Detected) -> Floats32:
    """The envelopes of all its hits."""
    return places.envelopes(folder, [heard], heard.take.mics, np.arange(len(heard.arrivals.first)))


def delays_ms(rise_db: Floats32, template: NDArray[np.int64] | None = None) -> Floats:
    """Onset of each template after that in the first mic (templates, mics), ms; of one template unless told."""
    template = np.zeros(len(rise_db), np.int64) if template is None else template
    onset, _ = places.patterns(rise_db, template, int(template.max()) + 1)
    return onset - onset[:, :1]


# ------------------------------------------------------------------------------------------------------------- patterns


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_all_hits_together_show_what_none_shows(tmp_path: Path, seed: int) -> None:
    """The delays come out to 0.1 ms in all mics, although half of the hits, taken by themselves, show them not at all
    or wrong in the three mics that are far away.
    """
    rise_db = rises(tmp_path / "one", struck(tmp_path / "one", seed=seed))
    single = np.abs(delays_ms(rise_db, np.arange(COUNT)) - DELAY_MS)

    np.testing.assert_allclose(DELAY_MS, delays_ms(rise_db)[0], atol=0.1)
    assert (~(single[:, 3:] < 0.1)).mean() > 0.5


def test_hits_that_were_measured_late_are_aligned(tmp_path: Path) -> None:
    """A third of the hits whose arrival was measured 10 ms late blur nothing: the delays are the same to 0.1 ms."""
    heard = struck(tmp_path / "one", late=COUNT // 3)

    np.testing.assert_allclose(DELAY_MS, delays_ms(rises(tmp_path / "one", heard))[0], atol=0.1)


def test_soft_hits_do_not_hide_loud_ones(tmp_path: Path) -> None:
    """Of hits over 40 dB of strength most show nothing at all in the far mics; those that do decide there."""
    heard = struck(tmp_path / "one", softest_db=-40.0, over_db=-30.0)

    np.testing.assert_allclose(DELAY_MS, delays_ms(rises(tmp_path / "one", heard))[0], atol=0.1)


def test_a_louder_onset_is_a_surer_one(tmp_path: Path) -> None:
    """The error grows with the distance, from 0.1 ms in the drum's own mic; no delay is further off than that."""
    rise_db = rises(tmp_path / "one", struck(tmp_path / "one"))
    onset, error = places.patterns(rise_db, np.zeros(COUNT, np.int64), 1)

    assert places.TEMPLATE_ERROR_MS <= error[0, 0] < 0.15
    assert error[0, 0] < error[0, 1] < error[0, 3:].min()
    assert (np.abs(onset[0] - onset[0, 0] - DELAY_MS) <= error[0]).all()


def test_templates_are_stacked_each_by_itself(tmp_path: Path) -> None:
    """Hits of one template say nothing of another's; a template without hits, and hits of none, know nothing."""
    rise_db = rises(tmp_path / "one", struck(tmp_path / "one"))
    half = np.where(np.arange(COUNT) < COUNT // 2, 2, -1)
    onset, error = places.patterns(rise_db, half, 3)
    alone = places.patterns(rise_db[: COUNT // 2], np.zeros(COUNT // 2, np.int64), 1)

    assert np.isnan(onset[:2]).all()
    assert np.isnan(error[:2]).all()
    np.testing.assert_array_equal(alone[0][0], onset[2])
    np.testing.assert_array_equal(alone[1][0], error[2])


def test_a_mic_that_hears_nothing_knows_nothing(tmp_path: Path) -> None:
    """A dead mic, and one that the take lacks, know no onset; the others know theirs as before."""
    heard = struck(tmp_path / "one", dead=2)
    mics = (*heard.take.mics[:3], Mic("elsewhere", Role.ROOM), *heard.take.mics[3:])
    rise_db = places.envelopes(tmp_path / "one", [heard], mics, np.arange(COUNT))
    onset, error = places.patterns(rise_db, np.zeros(COUNT, np.int64), 1)
    alive = np.array([0, 1, 4, 5, 6])

    assert [False, False, True, True, False, False, False] == np.isnan(onset[0]).tolist()
    np.testing.assert_array_equal(np.isnan(onset), np.isnan(error))
    np.testing.assert_allclose(np.delete(DELAY_MS, 2), (onset[0] - onset[0, 0])[alive], atol=0.1)


def test_what_does_not_rise_above_the_ring_knows_nothing(tmp_path: Path) -> None:
    """Far below what rings on in the far mics, the drum's onset there is not known, rather than made up."""
    rise_db = rises(tmp_path / "one", struck(tmp_path / "one", over_db=0.0))

    assert np.isnan(delays_ms(rise_db)[0, 3:]).all()


@pytest.mark.parametrize("rate", [44100, 96000])
def test_any_sample_rate_will_do(tmp_path: Path, rate: int) -> None:
    """Delays are in milliseconds whatever the recorder ran at."""
    heard = struck(tmp_path / "one", count=12, over_db=-40.0, rate=rate)

    np.testing.assert_allclose(DELAY_MS, delays_ms(rises(tmp_path / "one", heard))[0], atol=0.1)


# ------------------------------------------------------------------------------------------------------------ envelopes


def test_only_the_hits_that_are_asked_for_are_read_from_the_takes_they_are_in(tmp_path: Path) -> None:
    """Rows count over all takes: the third hit of the second take is the same one asked for by itself."""
    one, two = (struck(tmp_path / name, count=4, seed=n) for n, name in enumerate(("one", "two")))
    takes = tuple(replace(each.take, mics=tuple(
        replace(m, sources=tuple(replace(s, path=f"{each.take.name}/{s.path}") for s in m.sources))
        for m in each.take.mics)) for each in (one, two))
    heard = [replace(each, take=take) for each, take in zip((one, two), takes, strict=True)]
    every = places.envelopes(tmp_path, heard, takes[0].mics, np.arange(8))

    assert (8, 6, places.TOTAL_STEPS) == every.shape
    assert (every >= 0).all()
    assert (every <= places.RISE_LIMIT_DB).all()
    np.testing.assert_array_equal(every[4:], places.envelopes(tmp_path, heard[1:], takes[0].mics, np.arange(4)))
    np.testing.assert_array_equal(every[[1, 6]],
                                  places.envelopes(tmp_path, heard, takes[0].mics, np.array([1, 6])))


def test_strength_changes_no_envelope(tmp_path: Path) -> None:
    """Rises are over what there is before the hit: a take 30 dB softer has the same ones, to a hundredth of a dB."""
    heard = struck(tmp_path / "one", count=4)
    loud = rises(tmp_path / "one", heard)
    soft = {m.name: read_audio(tmp_path / "one" / f"{m.name}.wav")[0][0] * 10**-1.5 for m in heard.take.mics}
    softer = replace(heard, take=take_of(tmp_path / "two", soft, [m.role for m in heard.take.mics]))

    np.testing.assert_allclose(loud, rises(tmp_path / "two", softer), atol=0.01)


def test_the_number_of_workers_changes_no_bit(tmp_path: Path) -> None:
    """More hits than one worker takes at once are read alike by one worker and by three."""
    heard = struck(tmp_path / "one", count=places.AT_ONCE + 9)
    one = rises(tmp_path / "one", heard)
    with working(3):
        three = rises(tmp_path / "one", heard)

    assert one.tobytes() == three.tobytes()
    assert one[-1].any()


def test_a_hit_at_either_end_of_a_take_is_read(tmp_path: Path) -> None:
    """What lies outside the recording is silence: hits at its first and last frame are numbers all the same."""
    heard = struck(tmp_path / "one", count=3)
    ends = detected("one", heard.take.mics, np.array([0, heard.take.frames - 1]), heard)

    assert np.isfinite(rises(tmp_path / "one", ends)).all()


def test_a_file_that_is_gone_is_told(tmp_path: Path) -> None:
    """A recording that cannot be read is an error of the audio, which says where."""
    heard = struck(tmp_path / "one", count=3)
    (tmp_path / "one" / "mic 4.wav").unlink()

    with pytest.raises(AudioError, match="mic 4"):
        rises(tmp_path / "one", heard)


# ----------------------------------------------------------------------------------------------------------- same place

PATHS_MS = np.array([[0.0, 2.1, 3.0, 4.4, 5.2, 6.0, 7.3, 8.8], [2.2, 0.0, 4.1, 3.0, 4.0, 7.0, 6.1, 9.9],
                     [4.0, 3.5, 0.0, 2.0, 6.3, 4.8, 8.0, 7.1], [3.1, 5.0, 2.6, 0.0, 5.5, 3.9, 5.0, 10.4]])
"""When four drums are heard in eight mics."""

FURTHER_MS = 0.3 / 343.2 * 1e3
"""Sound takes so long for 30 cm (343.2 m/s: ISO 9613-1:1993, from memory)."""


def evidence(onset_ms: Floats, mics: int = 8, paths_ms: Floats = PATHS_MS, error_ms: float = 0.1) -> float:
    """Evidence that a template with these onsets is struck where the first drum stands, beside the other drums."""
    onsets = np.concatenate([np.asarray(onset_ms)[None], paths_ms])[:, :mics]
    found = places.same_place(onsets, np.where(np.isnan(onsets), np.nan, error_ms))
    np.testing.assert_array_equal(found, found.T)
    assert (np.abs(found) <= places.EVIDENCE_LIMIT).all()
    return float(found[0, 1])


MOVED_MS = PATHS_MS[0] + FURTHER_MS * np.cos(np.radians([10, 35, 60, 85, 110, 140, 165, 120]))
"""Onsets of what stands 30 cm beside the first drum: nearer to some mics and further from others, by where they are."""


def test_what_arrives_alike_is_struck_at_one_place() -> None:
    """The same delays speak clearly for it, whenever the template itself begins, and to a twentieth of a
    millisecond.
    """
    rough = np.array([0.05, -0.04, 0.02, 0.0, -0.05, 0.03, 0.05, -0.02])

    assert evidence(PATHS_MS[0]) > 6
    assert evidence(PATHS_MS[0] + 3.7) == pytest.approx(evidence(PATHS_MS[0]))
    assert evidence(PATHS_MS[0] + rough) > 6


def test_a_drum_thirty_centimetres_away_is_another_one() -> None:
    """What stands 30 cm further on, so nearer to some mics and further from others, is clearly struck elsewhere."""
    assert evidence(MOVED_MS) < -3
    assert evidence(PATHS_MS[1]) < -3


def test_one_mic_that_strays_parts_nothing() -> None:
    """A reflection that comes 3 ms ahead in one mic of eight leaves the evidence where it was, nearly."""
    stray = PATHS_MS[0].copy()
    stray[4] += 3.0

    assert evidence(stray) > 3
    assert evidence(stray) < evidence(PATHS_MS[0])


def test_fewer_mics_are_less_sure() -> None:
    """The same delays in three mics say less than in eight, for it and against it."""
    assert evidence(PATHS_MS[0], 8) > evidence(PATHS_MS[0], 3) > 0
    assert evidence(MOVED_MS, 8) < evidence(MOVED_MS, 3)


def test_surer_onsets_say_more() -> None:
    """Delays that are known to 0.1 ms part drums that delays known to a millisecond do not."""
    assert evidence(MOVED_MS, error_ms=0.1) < evidence(MOVED_MS, error_ms=1.0)
    assert evidence(PATHS_MS[0], error_ms=0.1) > evidence(PATHS_MS[0], error_ms=1.0)


def test_a_mix_has_no_delays_and_says_nothing() -> None:
    """Where all templates arrive at once in both channels, as from a mix, agreement is what everything has: far less
    than even one pair of mics says where other drums' delays differ.
    """
    for seed in range(9):
        at_once = np.random.default_rng(seed).normal(0, 0.03, (5, 2))
        assert abs(evidence(at_once[0], 2, at_once[1:])) < 1.0

    assert evidence(PATHS_MS[0], 2) > 2.0


@pytest.mark.parametrize("mics", [2, 4, 8])
@pytest.mark.parametrize("error_ms", [0.08, 0.3, 1.0])
def test_delays_that_nothing_has_are_no_evidence_against_it(mics: int, error_ms: float) -> None:
    """Where everything arrives at once everywhere, that two templates do as well does not part them, however many mics
    say so and however sure they are.
    """
    at_once = np.zeros((5, mics))

    assert 0.0 == pytest.approx(evidence(at_once[0], mics, at_once[1:], error_ms), abs=1e-9)


def test_fewer_than_two_known_mics_say_nothing() -> None:
    """A delay lies between two mics: with one in common, and with none, there is no evidence; nor is there of one
    template or none.
    """
    one_mic = np.full(8, np.nan)
    one_mic[3] = 1.0

    assert 0.0 == evidence(one_mic)
    assert 0.0 == evidence(np.full(8, np.nan))
    assert 0.0 != evidence(np.where(np.arange(8) < 2, PATHS_MS[0], np.nan))
    assert [[0.0, 0.0]] * 2 == places.same_place(np.stack([one_mic, PATHS_MS[0]]), np.full((2, 8), 0.1)).tolist()
    assert [[0.0]] == places.same_place(PATHS_MS[:1], np.full((1, 8), 0.1)).tolist()
    assert (0, 0) == places.same_place(np.zeros((0, 8)), np.zeros((0, 8))).shape


def test_hits_are_fitted_a_few_at_a_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """How many are in memory at once changes no bit, and memory does not grow with hits times mics: 400 hits in 16 mics
    would have spectra of 44 MB.
    """
    random = np.random.default_rng(7)
    rise_db = np.clip(random.normal(3, 6, (400, 16, places.TOTAL_STEPS)), 0, 25).astype(np.float32)
    template = np.zeros(400, np.int64)
    places.patterns(rise_db[:2], template[:2], 1)  # imports
    tracemalloc.start()
    found = places.patterns(rise_db, template, 1)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()

    assert peak < 20e6
    for at_once in (1, 7, 400):
        monkeypatch.setattr(places, "STACKED_AT_ONCE", at_once)
        again = places.patterns(rise_db, template, 1)
        assert all(np.array_equal(a, b, equal_nan=True) for a, b in zip(found, again, strict=True))
