"""What a mic is for, and what follows from that: one table for the whole package.

A new role is a row here, and the names by which it is known in ``session/mic_names.py``.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Role(StrEnum):
    """What a mic is for; see the table of words in docs/words.md."""

    CLOSE = "close"
    OVERHEAD = "overhead"
    ROOM = "room"
    BUS = "bus"
    TRIGGER = "trigger"
    TALK = "talk"
    IGNORE = "ignore"

    @property
    def means(self) -> Meaning:
        """What follows from the role."""
        return MEANING[self]


@dataclass(frozen=True, slots=True)
class Meaning:
    """What follows from a role.

    ``at_drum``: stands at one drum, and can name it; ``detects``: hits are found in it first; ``describes``: hits are
    told apart by what it hears of them; ``judged``: bleed and grades are measured in it; ``far``: hears the kit from a
    distance; ``whole_kit``: hears all drums on purpose; ``plays``: exported, balanced and heard; ``of_kit``: holds
    nothing but the kit; ``read``: its samples are looked at.
    """

    at_drum: bool = False
    detects: bool = False
    describes: bool = False
    judged: bool = False
    far: bool = False
    whole_kit: bool = False
    plays: bool = False
    of_kit: bool = False
    read: bool = True


MEANING = {
    Role.CLOSE: Meaning(at_drum=True, detects=True, describes=True, judged=True, plays=True, of_kit=True),
    Role.OVERHEAD: Meaning(detects=True, describes=True, judged=True, far=True, whole_kit=True, plays=True,
                           of_kit=True),
    Role.ROOM: Meaning(describes=True, judged=True, far=True, whole_kit=True, plays=True, of_kit=True),
    Role.BUS: Meaning(whole_kit=True, plays=True, of_kit=True),
    Role.TRIGGER: Meaning(at_drum=True, detects=True, describes=True, of_kit=True),
    Role.TALK: Meaning(),
    Role.IGNORE: Meaning(read=False),
}
"""Role -> what follows from it."""
