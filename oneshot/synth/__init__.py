"""Multi-mic drum sessions from a seed, with exact known truth: the demo, and what the tests measure against.

A plan says where the drums and mics stand in a room, a take plan which strokes are played; ``render_take`` gives the
audio and the truth about every stroke, ``write_session`` a session folder with a ``<take>.truth.json`` beside each
take.
"""

from __future__ import annotations

from oneshot.synth.demo import demo_session
from oneshot.synth.family import family
from oneshot.synth.patterns import groove, playing, slate, song
from oneshot.synth.plans import KINDS, DrumPlan, KitPlan, MicPlan, RoomPlan, Stroke, TakePlan
from oneshot.synth.render import render_take, write_session

__all__ = ["KINDS", "DrumPlan", "KitPlan", "MicPlan", "RoomPlan", "Stroke", "TakePlan", "demo_session", "family",
           "groove", "playing", "render_take", "slate", "song", "write_session"]
