"""Named plans that differ in kit, room, mics, rate, sample format and in what went wrong."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from oneshot.synth.kits import (
    CRASH,
    CRUSH,
    DEEP_SNARE,
    EIGHT,
    FLOOR,
    FLOOR_TOM,
    HAT,
    HAT_MIC,
    KICK,
    KICK_IN,
    KICK_OUT,
    OH_L,
    OH_R,
    PAIRS,
    RACK,
    RACK_TOM,
    RACK_TOM_2,
    RIDE,
    RIDE_MIC,
    ROOM_L,
    ROOM_R,
    SIX,
    SMALL_KICK,
    SMALL_RACK,
    SNARE_BOTTOM,
    SNARE_TOP,
    TALK,
)
from oneshot.synth.patterns import BOW, FILL, SLATE_ROWS, SlateRow, crowded, groove, playing, slate, song
from oneshot.synth.plans import KitPlan, RoomPlan, TakePlan

DRY = RoomPlan((6, 7, 3), (-3, -2.5, 0), ((125, 0.35), (1000, 0.25), (8000, 0.2)))
HALL = RoomPlan((16, 22, 8), (-7, -6, 0), ((125, 1.6), (1000, 1.3), (4000, 1.0), (12000, 0.6)), temperature_c=17)
SHELLS: tuple[SlateRow, ...] = SLATE_ROWS[:4]
SNARES: tuple[SlateRow, ...] = (
    *SLATE_ROWS, ("snare", "side stick", -14.0, 0.0, 5, 1.2), ("snare", "rimshot", -8.0, 0.0, 4, 1.3),
)
RIDES: tuple[SlateRow, ...] = (
    *SLATE_ROWS, ("ride", "bow", -12.0, 0.0, 5, 3.0), ("ride", "bell", -8.0, 0.0, 3, 3.0),
)
FLAWED_MICS = (
    KICK_IN, replace(KICK_OUT, polarity=-1), replace(SNARE_TOP, hum_dbfs=-70.0), replace(SNARE_BOTTOM, polarity=-1),
    replace(RACK_TOM, gate_dbfs=-40.0), replace(FLOOR_TOM, driven_db=11.0), OH_L, OH_R,
    replace(ROOM_L, name="Room", dead=True), CRUSH, TALK,
)

PLANS: tuple[tuple[KitPlan, tuple[TakePlan, ...]], ...] = (
    (KitPlan("five", DRY, SIX, (replace(KICK_OUT, name="Kick"), replace(SNARE_TOP, name="Snare"), OH_L, OH_R,
                                replace(ROOM_L, name="Room")), 44100, "PCM_24"),
     (slate("slate", SLATE_ROWS), playing("groove", 11))),
    (KitPlan("eight", RoomPlan(), SIX, EIGHT, 48000, "PCM_24"),
     (slate("slate", SNARES), playing("groove", 12, 92))),
    (KitPlan("thirteen", HALL, (KICK, DEEP_SNARE, RACK, SMALL_RACK, FLOOR, HAT, CRASH, RIDE),
             (*EIGHT[:5], RACK_TOM_2, FLOOR_TOM, HAT_MIC, RIDE_MIC, *PAIRS), 48000, "PCM_24"),
     (slate("slate", RIDES), playing("playing", 13, 118, extra=(BOW,)))),
    (KitPlan("high rate", RoomPlan(), SIX, (*EIGHT, HAT_MIC), 96000, "PCM_24"),
     (slate("slate", SHELLS), playing("groove", 14, 104, rounds=1))),
    (KitPlan("two", RoomPlan(), SIX, (replace(KICK_OUT, name="BD"),
                                      replace(OH_R, name="Overhead", place=(0, -0.5, 1.9))), 44100, "PCM_16"),
     (playing("take 1", 15, 96),)),
    (KitPlan("mix", RoomPlan(), SIX, (*EIGHT, ROOM_L, ROOM_R), 44100, "PCM_16", mixdown="Drum Mix"),
     (playing("take 1", 16, 108),)),
    (KitPlan("small", DRY, (SMALL_KICK, DEEP_SNARE, RACK, FLOOR, HAT, RIDE),
             (replace(KICK_OUT, name="BD"), replace(SNARE_TOP, name="SN Top"), OH_L, OH_R), 88200, "FLOAT"),
     (song("playing", [groove("", 8, 126, BOW, 17), groove("", 1, 126, FILL, 18)]),)),
    (KitPlan("flawed", RoomPlan(), (KICK, DEEP_SNARE, RACK, FLOOR, HAT, CRASH), FLAWED_MICS, 48000, "PCM_24"),
     (replace(slate("take 1", SHELLS), talk=((8.4, 1.0), (20.2, 1.2))),
      replace(playing("take 2", 19, 112), click_bpm=112.0, inverted=("Snare Bottom",)))),
    (KitPlan("crowded", HALL, (KICK, DEEP_SNARE, RACK, FLOOR, HAT, CRASH, RIDE), (*EIGHT, *PAIRS[2:], CRUSH), 44100,
             "PCM_24"),
     (crowded("take 1", 20),)),
)


def family() -> Mapping[str, tuple[KitPlan, tuple[TakePlan, ...]]]:
    """Name -> plan and its takes: two mics to thirteen, a stereo mix, 44.1 to 96 kHz, 16 bit to float."""
    return {plan.name: (plan, takes) for plan, takes in PLANS}
