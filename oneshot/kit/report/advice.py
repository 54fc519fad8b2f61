"""What to record next, as far as the mics of a session tell.

How many hits there should be at most, and the time to let them decay, are common practice, no source; how many there
should be at least the usual recording list says. What the takes hold is not looked at here: only which drums have a mic
of their own, and what is missing around them.
"""

from __future__ import annotations

from oneshot.config.recording_list import USUAL
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Session
from oneshot.session.mic_names import kind_of

FEWEST = {line.drum: line.hits for line in USUAL}
MOST: dict[str, tuple[int, float]] = {
    "kick": (80, 3.0),
    "snare": (150, 3.0),
    "tom": (80, 6.0),
    "hat": (40, 2.0),
    "ride": (60, 10.0),
    "crash": (40, 18.0),
}
"""Kind of drum -> hits from softest to hardest, at most, and seconds to let each decay."""


def next_to_record(session: Session) -> list[str]:
    """Sentences about what would make the session a better source of one-shots, most useful first."""
    mics = {mic.name: mic for take in session.takes for mic in take.mics}
    roles = {mic.role for mic in mics.values()}
    advice = []
    if Role.OVERHEAD not in roles and Role.BUS not in roles:
        advice.append("Overheads: without them, cymbals and hats have no mic of their own.")
    if Role.CLOSE not in roles:
        advice.append("Close mics: without them every drum has too much bleed.")
    drums = sorted({mic.drum for mic in mics.values() if mic.role is Role.CLOSE and mic.drum})
    wanted = [_strokes(drum, kind) for drum in drums if (kind := kind_of(drum)) in MOST]
    if wanted:
        advice += ["For each drum, as a rule, whatever the takes hold already:", *wanted]
    if advice and drums:
        advice.append("Single hits: let each decay fully, keep still, then play the next a little harder.")
    return advice


def _strokes(drum: str, kind: str) -> str:
    few, (many, ring_s) = FEWEST[kind], MOST[kind]
    count = str(few) if few == many else f"{few} to {many}"
    minutes = max(1, round((few + many) / 2 * (ring_s + 1) / 60))
    return f"{drum}: {count} single hits, soft to hard, {ring_s:g} s of decay each (about {minutes} minutes)."
