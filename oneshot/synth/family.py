"""Named plans that differ in kit, room, mics, rate, sample format and in what went wrong."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from oneshot.synth.kits import (
    CRASH,
    CRUSH,
    CRUSH_FAR,
    DEEP_SNARE,
    EIGHT,
    FLOOR,
    FLOOR_TOM,
    HAT,
    HAT_MIC,
    KICK,
    KICK_IN,
    KICK_OUT,
    KICK_TRIGGER,
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
    SNARE,
    SNARE_BOTTOM,
    SNARE_TOP,
    SNARE_TRIGGER,
    TALK,
    near,
)
from oneshot.synth.patterns import (
    BEAT,
    BOW,
    BRUSHES,
    FILL,
    ORNAMENTS,
    RING,
    ROLL,
    SIDE,
    SOFT,
    START,
    Lanes,
    SlateRow,
    broken_off,
    counted_in,
    crowded,
    dense,
    groove,
    mixed,
    playing,
    slate,
    song,
    swell,
)
from oneshot.synth.plans import KitPlan, RoomPlan, TakePlan

DRY = RoomPlan((6, 7, 3), (-3, -2.5, 0), ((125, 0.35), (1000, 0.25), (8000, 0.2)))
HALL = RoomPlan((16, 22, 8), (-7, -6, 0), ((125, 1.6), (1000, 1.3), (4000, 1.0), (12000, 0.6)), temperature_c=17)
SHELLS: tuple[SlateRow, ...] = (
    ("kick", "hit", -18.0, 0.0, 5, 1.0), ("snare", "centre", -33.0, 0.0, 8, 1.0), ("rack", "hit", -21.0, 0.0, 4, 1.6),
    ("floor", "hit", -21.0, 0.0, 4, 1.8),
)
CYMBALS: tuple[SlateRow, ...] = (
    ("hat", "closed", -18.0, 0.0, 4, 0.7), ("hat", "open", -10.0, 0.0, 3, 2.4), ("crash", "hit", -10.0, 0.0, 2, 3.6),
)
SNARES: tuple[SlateRow, ...] = (
    ("snare", "side stick", -14.0, 0.0, 5, 0.9), ("snare", "rimshot", -8.0, 0.0, 4, 1.0),
)
RIDES: tuple[SlateRow, ...] = (("ride", "bow", -12.0, 0.0, 5, 2.4), ("ride", "bell", -8.0, 0.0, 3, 2.4))
SMALL = (SMALL_KICK, DEEP_SNARE, RACK, FLOOR, HAT, RIDE)
HUMMING = (replace(RACK, buzz_db=-26.0), replace(SMALL_RACK, buzz_db=-24.0), replace(FLOOR, buzz_db=-22.0))
"""Toms that nobody damped: they hum along with kick, snare and each other."""
LEFT_KICK = replace(KICK, name="kick 2", place=(-0.62, 0.06, 0.30), tune_hz=58)
LEFT_RIDE = replace(RIDE, name="ride 2", place=(-0.28, 0.34, 1.12), decay_s=0.9)
"""A second kick, and a second ride on the other side of the kit."""
DOUBLES: Lanes = {
    ("kick", "hit"): "X...X...X...X...", ("kick 2", "hit"): "..x...x...x...x.", ("snare", "centre"): "....X.......X...",
    ("ride", "bow"): "x.o.x.o.........", ("ride 2", "bow"): "........x.o.x.o.",
}
FLAWED_MICS = (
    KICK_IN, replace(KICK_OUT, polarity=-1), replace(SNARE_TOP, hum_dbfs=-70.0), replace(SNARE_BOTTOM, polarity=-1),
    replace(RACK_TOM, gate_dbfs=-40.0), replace(FLOOR_TOM, driven_db=11.0), OH_L, OH_R,
    replace(ROOM_L, name="Room", dead=True), CRUSH, TALK,
)
HISS = tuple(replace(m, noise_dbfs=-50.0) if m in (SNARE_TOP, FLOOR_TOM, OH_R) else m for m in EIGHT)

OFFSET_MICS = tuple(replace(m, offset=0.012) if m in (RACK_TOM, OH_L) else m for m in EIGHT)
"""Two inputs with a DC offset."""

PLANS: tuple[tuple[KitPlan, tuple[TakePlan, ...]], ...] = (
    (KitPlan("five", DRY, SIX, (replace(KICK_OUT, name="Kick"), replace(SNARE_TOP, name="Snare"), OH_L, OH_R,
                                replace(ROOM_L, name="Room")), 44100, "PCM_24"),
     (slate("slate", (*SHELLS, *CYMBALS)), playing("groove", 11))),
    (KitPlan("eight", RoomPlan(), SIX, EIGHT, 48000, "PCM_24"),
     (slate("slate", (*SHELLS, *SNARES, *CYMBALS)), playing("groove", 12, 92, extra=(SIDE,)))),
    (KitPlan("thirteen", HALL, (KICK, DEEP_SNARE, *HUMMING, HAT, CRASH, RIDE),
             (*EIGHT[:5], RACK_TOM_2, FLOOR_TOM, HAT_MIC, RIDE_MIC, *PAIRS), 48000, "PCM_24"),
     (slate("slate", (*SHELLS, *RIDES)), playing("playing", 13, 118, extra=(BOW,)))),
    (KitPlan("high rate", RoomPlan(), SIX, (*EIGHT, HAT_MIC), 96000, "PCM_24"),
     (slate("slate", SHELLS), playing("groove", 14, 104, rounds=1))),
    (KitPlan("two", RoomPlan(), SIX, (replace(KICK_OUT, name="BD"),
                                      replace(OH_R, name="Overhead", place=(0, -0.5, 1.9))), 44100, "PCM_16"),
     (playing("take 1", 15, 96), dense("take 2", 25, 100))),
    (KitPlan("mix", RoomPlan(), SIX, (*EIGHT, ROOM_L, ROOM_R), 44100, "PCM_16", mixdown="Drum Mix"),
     (playing("take 1", 16, 108), dense("take 2", 26, 112))),
    (KitPlan("small", DRY, SMALL, (replace(KICK_OUT, name="BD"), replace(SNARE_TOP, name="SN Top"), OH_L, OH_R), 88200,
             "FLOAT"),
     (song("playing", [groove("", 8, 126, BOW, 17), groove("", 1, 126, FILL, 18)]),)),
    (KitPlan("flawed", RoomPlan(), (KICK, DEEP_SNARE, RACK, FLOOR, HAT, CRASH), FLAWED_MICS, 48000, "PCM_24"),
     (replace(slate("take 1", SHELLS), talk=((7.2, 0.8), (14.6, 1.0))),
      replace(playing("take 2", 19, 112), click_bpm=112.0, inverted=("Snare Bottom",)))),
    (KitPlan("crowded", HALL, (KICK, DEEP_SNARE, HUMMING[0], HUMMING[2], HAT, CRASH, RIDE),
             (*EIGHT, *PAIRS[2:], CRUSH, CRUSH_FAR), 44100, "PCM_24"),
     (crowded("take 1", 20),)),
    (KitPlan("ornaments", RoomPlan(), SIX, (*EIGHT, KICK_TRIGGER, SNARE_TRIGGER), 48000, "PCM_24"),
     (mixed("take 1", 21, 100, ((1, START), (2, SOFT), (3, ORNAMENTS), (1, ROLL), (3, RING), (2, SOFT))),)),
    (KitPlan("doubles", RoomPlan(), (KICK, LEFT_KICK, SNARE, RACK, FLOOR, HAT, CRASH, RIDE, LEFT_RIDE),
             (replace(KICK_OUT, name="Kick"), replace(near(LEFT_KICK, "Kick Left", (0.05, 0.33, 0.03)), noise_dbfs=-90),
              SNARE_TOP, OH_L, OH_R, ROOM_L, ROOM_R), 48000, "PCM_24"),
     (slate("slate", (*SHELLS, ("kick 2", "hit", -18.0, 0.0, 5, 1.0), *RIDES, ("ride 2", "bow", -12.0, 0.0, 5, 2.4))),
      mixed("playing", 51, 110, ((1, START), (4, DOUBLES), (1, FILL), (2, BOW), (2, BEAT))))),
    (KitPlan("brushes", DRY, (*SMALL, CRASH), (replace(KICK_OUT, name="Kick"), replace(SNARE_TOP, name="Snare"), OH_L,
                                               OH_R), 48000, "PCM_24"),
     (song("take 1", [groove("", 5, 104, BRUSHES, 22), swell("", 23), groove("", 4, 104, BRUSHES, 24),
                      swell("", 25)]),)),
    (KitPlan("hiss", RoomPlan(), SIX, (*HISS, replace(CRUSH_FAR, place=(1.2, 6.2, 2.4))), 44100, "PCM_24"),
     (replace(slate("take 1", SHELLS), sticks_s=(5.2, 14.3)),
      counted_in(mixed("take 2", 27, 96, ((1, START), (4, BEAT), (1, FILL), (2, SIDE), (2, SOFT))), 96))),
    (KitPlan("outsiders", RoomPlan(), SIX, OFFSET_MICS, 44100, "PCM_24"),
     (replace(slate("take 1", (*SHELLS, ("hat", "closed", -18.0, 0.0, 6, 0.7))), tail_s=5.0, talk_db=6.0,
              talk=((4.9, 0.9), (13.7, 1.0), (20.6, 1.9), (35.0, 1.5)), sticks_s=(4.85, 28.9, 29.3),
              knocks=((13.45, "OH L"), (21.9, "Floor Tom"), (34.6, "OH R"))),
      replace(counted_in(broken_off(mixed("take 2", 31, 104, ((1, START), (3, BEAT), (1, FILL))), 3.3,
                                    mixed("", 41, 104, ((1, START), (2, BEAT)))), 104),
              click_bpm=104.0, click_db=12.0))),
)


def family() -> Mapping[str, tuple[KitPlan, tuple[TakePlan, ...]]]:
    """Name -> plan and its takes: two mics to thirteen, a stereo mix, 44.1 to 96 kHz, 16 bit to float."""
    return {plan.name: (plan, takes) for plan, takes in PLANS}
