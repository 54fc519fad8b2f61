"""Direct and room sound, in a computed room in which both are known apart."""

from __future__ import annotations

import numpy as np
import pytest
from known_windows import windows
from scipy.signal import fftconvolve
from stage_inputs import RATE, strike

from oneshot.comparison import direct
from oneshot.comparison.figures import Known, views
from oneshot.core.records.session import Floats
from oneshot.synth.plans import MicPlan, Place, RoomPlan
from oneshot.synth.room import Acoustics, Radiator

DRUM = Radiator("drum", (0.0, 0.5, 0.8), 0.3)
CLOSE = MicPlan("Close", (0.0, 0.55, 0.9), DRUM.place)
ROOM = RoomPlan()
DEAD = RoomPlan(size=(60, 60, 60), corner=(-30, -30, -30), t60_s=((1000.0, 0.05),))
"""So wide that nothing comes back from its walls within its decay: the direct sound alone."""


def heard(room: RoomPlan, mic: MicPlan, stroke: Floats) -> tuple[Floats, int]:
    """A stroke in a mic, and the frame at which it arrives there."""
    late = float(np.linalg.norm(np.subtract(DRUM.place, mic.place))) / room.speed
    x = fftconvolve(Acoustics(room, RATE, 1).response(DRUM, mic).astype(np.float64), stroke)
    out = np.zeros(RATE)
    out[240 : 240 + len(x)] = x[: RATE - 240]
    return out, 240 + round(late * RATE)


def ratio(mic: MicPlan, stroke: Floats, room: RoomPlan = ROOM) -> float | None:
    """What is found of it."""
    (near, home), (far, at) = heard(room, CLOSE, stroke), heard(room, mic, stroke)
    length = RATE - max(home, at)
    return direct.direct_to_room_db(near[home - 240 : home + length], far[at - 240 : at + length], lead=240,
                                    sample_rate=RATE)


def octaves(x: Floats) -> float:
    """Energy from 355 Hz to 11.2 kHz, the edges of the octaves that are looked at."""
    spectrum, frequency = np.abs(np.fft.rfft(x)) ** 2, np.fft.rfftfreq(len(x), 1 / RATE)
    return float(spectrum[(frequency >= 355) & (frequency < 11220)].sum())


@pytest.mark.parametrize("pattern", ["omni", "cardioid"])
@pytest.mark.parametrize("place", [(0.3, 0.6, 1.2), (0.0, 0.5, 1.8), (0.5, 1.5, 1.5), (1.0, 3.0, 1.5), (2.0, 5.0, 1.8)])
def test_the_ratio_is_that_of_the_room(place: Place, pattern: str) -> None:
    """From half a metre to five, near strokes that ring on and short ones: within 1.5 dB of direct sound re all that
    floor, walls, ceiling and the diffuse field add.
    """
    mic = MicPlan(f"Far {place}", place, DRUM.place, pattern=pattern)
    for seed, decay_s in ((1, 0.02), (2, 0.08), (3, 0.2)):
        stroke = strike(seed, decay_s)
        both, _ = heard(ROOM, mic, stroke)
        alone, _ = heard(DEAD, mic, stroke)
        truth = 10 * np.log10(octaves(alone) / octaves(both - alone))

        assert truth == pytest.approx(ratio(mic, stroke), abs=1.5)


def test_most_hits_must_tell_the_ratio() -> None:
    """Of three hits two in a close mic that rings on for long: nothing is told of the other mic; of one, the median of
    the others. In the close mic itself there is nothing to tell.
    """
    x = strike(1, 0.05)
    ringing = x + np.concatenate([np.zeros(2400), strike(2, 0.2)])[: len(x)]
    for close, told in (([x, ringing, ringing], False), ([x, x, ringing], True)):
        found = views(windows({"Close": close, "Far": [x] * 3}), "Close", [Known()] * 2)
        assert [False, told] == [each.direct_to_room_db is not None for each in found]
    assert [None, None] == [each.direct_to_room_db for each in views(windows({"Close": [x], "Far": [x]}), None,
                                                                     [Known()] * 2)]


def test_what_cannot_be_told_is_not_told() -> None:
    """Silence; and a close mic that rings on for longer than the drum does elsewhere."""
    stroke = np.concatenate([np.zeros(240), strike(1, 0.05)])
    ringing = stroke + np.concatenate([np.zeros(2400), strike(2, 0.2)])[: len(stroke)]

    assert direct.direct_to_room_db(stroke, np.zeros_like(stroke), lead=240, sample_rate=RATE) is None
    assert direct.direct_to_room_db(np.zeros_like(stroke), stroke, lead=240, sample_rate=RATE) is None
    assert direct.direct_to_room_db(ringing, stroke, lead=240, sample_rate=RATE) is None
    assert 20.0 == pytest.approx(direct.direct_to_room_db(stroke, 0.1 * stroke, lead=240, sample_rate=RATE))
