"""The demo session: a drum kit at one end of an old ropewalk.

A ropewalk is the long shed in which rope was laid. This one is 38 metres long; hemp still hangs along its walls and
soaks up the highs. The kit stands near the eastern end, ten mics around it: eight close, a pair above, and one far
down the walk for its long answer. Two takes: a slate, stroke by stroke from soft to hard, and some playing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from oneshot.synth.kits import CRASH, EIGHT, FLOOR, HAT, HAT_MIC, KICK, RACK, SNARE
from oneshot.synth.patterns import BEAT, FILL, START, groove, slate, song
from oneshot.synth.plans import KitPlan, MicPlan, RoomPlan, TakePlan
from oneshot.synth.render import write_session

SEED = 1867
ROPEWALK = RoomPlan((6.2, 38.0, 4.6), (-3.3, -3.0, 0.0),
                    ((125, 0.85), (500, 0.75), (2000, 0.55), (6000, 0.4), (12000, 0.28)), temperature_c=16.0)
FAR = MicPlan("Room Far", (0.7, 5.4, 2.1), (0, 0, 0.7), pattern="omni", noise_dbfs=-80)
PLAN = KitPlan("ropewalk", ROPEWALK, (KICK, replace(SNARE, buzz_db=-24.0), RACK, FLOOR, HAT, CRASH),
               (*EIGHT[:6], HAT_MIC, *EIGHT[6:], FAR), 48000, "PCM_24")
SLATE_ROWS = (
    ("kick", "hit", -17.0, 0.0, 14, 1.0), ("snare", "centre", -28.0, 0.0, 18, 1.0),
    ("snare", "side stick", -12.0, 0.0, 5, 0.9),
    ("rack", "hit", -20.0, 0.0, 8, 1.5), ("floor", "hit", -20.0, 0.0, 8, 1.7), ("hat", "closed", -16.0, 0.0, 10, 0.7),
    ("hat", "open", -8.0, 0.0, 4, 2.2), ("crash", "hit", -9.0, 0.0, 3, 4.0),
)
WALK = {**BEAT, ("snare", "centre"): "....X..g..g.X...", ("kick", "hit"): "X......xX.x....."}
PARTS = ((1, START), (5, BEAT), (1, FILL), (1, START), (5, WALK), (1, FILL))


def takes() -> tuple[TakePlan, ...]:
    """The two takes of the demo: about 100 s stroke by stroke, about 40 s of playing."""
    played = [groove("", bars, 92, lanes, seed) for seed, (bars, lanes) in enumerate(PARTS, start=1)]
    return slate("take 1 slate", SLATE_ROWS), song("take 2 playing", played)


def demo_session(folder: Path, *, progress: Callable[[str, float], None] | None = None) -> dict[str, dict[str, Any]]:
    """Write the demo session into a new folder; returns take name -> truth.

    Raises SessionError if the folder exists and is not empty.
    """
    return write_session(folder, PLAN, takes(), SEED, progress=progress)
