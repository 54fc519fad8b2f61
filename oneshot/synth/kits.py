"""The drums and mics that the named plans are put together from: a right-handed kit and its usual mics."""

from __future__ import annotations

from dataclasses import replace

from oneshot.synth.plans import DrumPlan, MicPlan, Place

KICK = DrumPlan("kick", "kick", (0.0, 0.0, 0.30), tune_hz=54, decay_s=0.11, size_m=0.56, loudness_db=0.0)
SNARE = DrumPlan("snare", "snare", (-0.25, -0.42, 0.64), tune_hz=186, decay_s=0.085, size_m=0.36, loudness_db=0.0)
RACK = DrumPlan("rack", "tom", (0.16, 0.06, 0.78), tune_hz=138, decay_s=0.20, size_m=0.31, loudness_db=-3.5)
FLOOR = DrumPlan("floor", "tom", (0.55, -0.42, 0.58), tune_hz=86, decay_s=0.28, size_m=0.41, loudness_db=-3.0)
HAT = DrumPlan("hat", "hat", (-0.66, -0.36, 0.88), decay_s=0.55, size_m=0.36, loudness_db=-8.0)
CRASH = DrumPlan("crash", "crash", (-0.55, 0.22, 1.18), decay_s=0.75, size_m=0.41, loudness_db=-3.0)
RIDE = DrumPlan("ride", "ride", (0.62, 0.12, 1.02), decay_s=1.0, size_m=0.51, loudness_db=-10.0)
DEEP_SNARE = replace(SNARE, tune_hz=158, decay_s=0.11, buzz_db=-14)
SMALL_RACK = DrumPlan("rack 2", "tom", (-0.16, 0.08, 0.80), tune_hz=171, decay_s=0.17, size_m=0.25, loudness_db=-4.0)
SMALL_KICK = replace(KICK, tune_hz=68, decay_s=0.20, size_m=0.46, loudness_db=-3)
SIX = (KICK, SNARE, RACK, FLOOR, HAT, CRASH)
"""The kit most plans have."""


def near(drum: DrumPlan, name: str, offset: Place) -> MicPlan:
    """A close mic ``offset`` metres from a drum's middle, that looks at it."""
    x, y, z = (a + b for a, b in zip(drum.place, offset, strict=True))
    return MicPlan(name, (x, y, z), drum.place, drum=drum.name)


KICK_IN = replace(near(KICK, "Kick In", (0.03, -0.02, 0.02)), inside="kick", noise_dbfs=-90)
KICK_OUT = replace(near(KICK, "Kick Out", (0.05, 0.33, 0.03)), noise_dbfs=-90)
SNARE_TOP = near(SNARE, "Snare Top", (0.08, 0.10, 0.07))
SNARE_BOTTOM = near(SNARE, "Snare Bottom", (0.03, 0.08, -0.24))
RACK_TOM = near(RACK, "Rack Tom", (0.05, 0.10, 0.08))
RACK_TOM_2 = near(SMALL_RACK, "Rack Tom 2", (-0.05, 0.09, 0.08))
FLOOR_TOM = near(FLOOR, "Floor Tom", (0.05, 0.13, 0.09))
HAT_MIC = replace(near(HAT, "Hat", (-0.12, 0.08, 0.14)), low_cut_hz=250.0)
RIDE_MIC = replace(near(RIDE, "Ride", (0.05, 0.06, -0.16)), low_cut_hz=250.0)
OH_L = MicPlan("OH L", (-0.72, -0.30, 1.88), (-0.35, -0.25, 0.8), noise_dbfs=-84, low_cut_hz=60.0)
OH_R = MicPlan("OH R", (0.78, -0.30, 1.92), (0.35, -0.25, 0.8), noise_dbfs=-84, low_cut_hz=60.0)
ROOM_L = MicPlan("Room L", (-1.5, 3.6, 1.7), (0, 0, 0.7), pattern="omni", noise_dbfs=-82)
ROOM_R = MicPlan("Room R", (1.6, 3.7, 1.7), (0, 0, 0.7), pattern="omni", noise_dbfs=-82)
CRUSH = MicPlan("Crush", (0.2, 1.6, 1.1), (0, 0, 0.5), pattern="omni", crushed=True, noise_dbfs=-74)
TALK = MicPlan("Talk", (0.3, -1.0, 1.3), (0, -0.85, 1.3), talk=True)
CRUSH_FAR = MicPlan("Room Far", (1.2, 8.9, 2.4), (0, 0, 0.7), pattern="omni", crushed=True, noise_dbfs=-70)
KICK_TRIGGER = replace(near(KICK, "Kick Trigger", (0.0, 0.2, 0.25)), trigger=True, noise_dbfs=-80)
SNARE_TRIGGER = replace(near(SNARE, "Snare Trigger", (0.0, 0.15, 0.02)), trigger=True, noise_dbfs=-80)
EIGHT = (KICK_IN, KICK_OUT, SNARE_TOP, SNARE_BOTTOM, RACK_TOM, FLOOR_TOM, OH_L, OH_R)
"""The mics most plans have."""
PAIRS = (replace(OH_L, file="OH"), replace(OH_R, file="OH"), replace(ROOM_L, file="Room"), replace(ROOM_R, file="Room"))
"""Overheads and rooms as stereo files."""
