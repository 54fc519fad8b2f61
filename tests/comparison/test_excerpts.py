"""Excerpts: the same hits, in step, equally loud by an independent meter."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pyloudnorm
import pytest
from known_windows import LEAD, windows
from stage_inputs import RATE, noise, strike

from oneshot.audio.loudness import true_peak_dbtp
from oneshot.comparison import excerpts


def test_all_excerpts_of_a_drum_are_equally_loud() -> None:
    """Within 0.1 LU by pyloudnorm, however soft, bright or peaky, a mic 70 dB down included; no true peak above
    -3 dBTP.
    """
    x = np.concatenate([strike(n, 0.1, seconds=1.0) for n in range(4)])
    dull = np.convolve(x, np.ones(40) / 40, "same")
    some = {"loud": x, "soft": 0.0003 * x, "dull": dull, "peaky": np.where(np.arange(len(x)) == 5000, 1.0, 0.05 * x),
            "hiss": noise(len(x), -50, 9)}
    gains = excerpts.matching_gains({name: each[None] for name, each in some.items()}, dict.fromkeys(some, RATE))
    made = {name: each * 10 ** (gains[name] / 20) for name, each in some.items()}
    meter = pyloudnorm.Meter(RATE, filter_class="DeMan")
    levels = [meter.integrated_loudness(each) for each in made.values()]

    assert max(levels) == pytest.approx(min(levels), abs=0.1)
    assert max(levels) <= excerpts.LOUDNESS_LUFS + 0.1
    assert -3.0 == pytest.approx(max(true_peak_dbtp(each[None], RATE) or 0.0 for each in made.values()), abs=0.01)


def test_short_excerpts_are_as_long_as_a_meter_needs() -> None:
    """A hit of 20 ms makes one block of 400 ms (BS.1770-5), longer ones whole steps of 100 ms, which meters count
    alike; a gain of 20 dB is made up for, silence has none.
    """
    x = excerpts.excerpt(windows({"Near": [strike(1, 0.02)]}, stop=[960]), 0, [0], [0.02])
    longer = excerpts.excerpt(windows({"Near": [strike(1, 0.02, seconds=1.0)]}), 0, [0], [0.777])
    gains = excerpts.matching_gains({"a": x, "b": 0.1 * x, "c": 0.0 * x, "d": x[:, :0]}, dict.fromkeys("abcd", RATE))

    assert [(1, 19200), (1, 38400)] == [x.shape, longer.shape]
    assert {"a", "b"} == set(gains)
    assert 20.0 == pytest.approx(gains["b"] - gains["a"], abs=0.01)


def test_mics_and_takes_are_in_step() -> None:
    """Whatever a mic's delay and a take's rate: as many hits as every take has, those alone longest; each begins at the
    same moment everywhere and ends, faded, before any take's next stroke.
    """
    click = np.zeros(RATE // 2)
    click[0] = 1.0
    one = windows({"Near": [click] * 3, "Far": [click] * 3}, {"Far": 480}, stop=[12000, 4800, 24000])
    other = replace(windows({"Near": [click] * 5}, stop=[24000, 9600, 100, 100, 14400], take="two"))
    rows, lasting = excerpts.places([one, other])
    made = [excerpts.excerpt(one, mic, rows[0], lasting) for mic in (0, 1)]
    made.append(excerpts.excerpt(other, 0, rows[1], lasting))

    assert [[0, 1, 2], [0, 1, 4]] == rows
    assert [0.25, 0.1, 0.3] == pytest.approx(lasting)
    starts = [LEAD, LEAD + 12000 + LEAD, LEAD + 12000 + LEAD + 4800 + LEAD]
    for x in made:
        assert (1, 33600) == x.shape
        assert not x[0, 3 * LEAD + 12000 + 4800 + 14400 :].any()
        assert starts == np.flatnonzero(x[0] > 0.5).tolist()
    slow = replace(one, sample_rate=24000, raw=tuple(x[:, ::2] for x in one.raw), arrival=one.arrival // 2,
                   stop=one.stop // 2)
    assert made[0].shape[1] == 2 * excerpts.excerpt(slow, 0, rows[0], lasting).shape[1]
    x = excerpts.excerpt(windows({"Near": [noise(RATE, -20, 1)]}), 0, [0], [1.0])
    assert 0.0 == float(x[0, 0])
    assert 0.0 == pytest.approx(float(x[0, -1]), abs=1e-9)


def test_of_many_hits_the_longest_alone_are_kept() -> None:
    """In their order, each with all that belongs to it."""
    some = windows({"Near": [np.full(100, n + 1.0) for n in range(5)]}, stop=[50, 100, 20, 80, 100])
    kept = some.longest(3)

    assert [2, 4, 5] == [h.id for h in kept.hits]
    assert [100, 80, 100] == kept.stop.tolist()
    assert [2.0, 4.0, 5.0] == [float(kept.aligned(row, 0)[0]) for row in range(3)]
    assert 80 == len(kept.aligned(1, 0))
    assert 80 + LEAD == len(kept.aligned(1, 0, lead=True))
