"""In which order pages list drums and mics: as a drummer names a kit, and from near to far."""

from __future__ import annotations

from collections.abc import Sequence

from oneshot.core.records.hits import Drum
from oneshot.core.records.roles import Role

KINDS = ("kick", "snare", "hat", "tom", "ride", "crash", "splash", "china", "cymbal")
"""Kinds of drums in their order; whatever else there is follows."""
ROLES = (Role.CLOSE, Role.OVERHEAD, Role.ROOM, Role.BUS)
"""Roles from near to far; whatever else there is follows."""


def in_kit_order(drums: Sequence[Drum]) -> list[Drum]:
    """Kick, snare, hat, toms from high to low, cymbals, the rest; of one kind as the kit has them."""
    def place(drum: Drum) -> tuple[int, int]:
        """Kind first; toms by their key, which falls with their pitch."""
        keys = [how.key for how in drum.articulations]
        return rank(KINDS, drum.kind), -max(keys) if drum.kind == "tom" and keys else 0

    return sorted(drums, key=place)


def rank(order: Sequence[str], each: str) -> int:
    """Where something stands in an order; behind all of it where it is not in it."""
    return order.index(each) if each in order else len(order)
