"""Windows whose every frame is known, for the tests of the figures made of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from stage_inputs import RATE, hit

from oneshot.comparison.windows import Windows
from oneshot.core.records.hits import Hit
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Floats, Mic

LEAD = round(0.005 * RATE)


def windows(mics: Mapping[str, Sequence[Floats]], late: Mapping[str, int] | None = None, *,
            stop: Sequence[int] | None = None, hits: Sequence[Hit] | None = None, take: str = "one") -> Windows:
    """Hits as some mics hear them: mic -> each hit's sound (frames,) from its arrival on; ``late``: frames by which a
    mic hears them later; ``stop``: frames until each hit's next stroke.
    """
    late = late or {}
    count = len(next(iter(mics.values())))
    length = max(len(x) for sounds in mics.values() for x in sounds)
    most = max(late.values(), default=0)
    raw = [np.zeros((len(mics), LEAD + most + length)) for _ in range(count)]
    arrival = np.zeros((count, len(mics)), np.int64)
    for k, (name, sounds) in enumerate(mics.items()):
        for row, x in enumerate(sounds):
            at = arrival[row, k] = LEAD + late.get(name, 0)
            raw[row][k, at : at + len(x)] = x
    return Windows(take, RATE, tuple(Mic(name, Role.CLOSE) for name in mics),
                   tuple(hits or [hit(n + 1, take=take) for n in range(count)]), tuple(raw), arrival,
                   np.array(stop or [length] * count, np.int64))
