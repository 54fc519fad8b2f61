"""Sticks: a snare whose side sticks and centre strokes were taken for two drums.

A stick laid across the rim sounds like wood and hardly wakes the head, so its mic hears it higher above all other mics
than the centre strokes, and the two look like two drums. But a kit has one snare (common practice, no source): where
what stands highest in the snare's mic does not sound like a snare, and what comes next there does, they are one.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from oneshot.group import nearest_mic
from oneshot.model import Floats, Frames
from oneshot.naming import kind_by_sound
from oneshot.stages import Templates

NEXT_DB = 8.0
"""How far the centre may stand below the side stick in the snare's mic: it came to 5 dB below, an open hat to 11."""


def joined(kinds: Templates, drum: Frames, owner: Frames, said: Frames, standing_db: Floats,
           close: Frames, snares: Sequence[int]) -> Frames:
    """The drums of the kinds (kinds,), the two parts of a snare made one.

    ``drum``: int64 (kinds,), as found; ``owner``: int64 (kinds,), the drum whose close mic owns each, -1 for none;
    ``said``: int64 (kinds,), -1 for those of which no label says what they are: what is labelled is joined to nothing;
    ``standing_db`` and ``close`` as for ``group.owners``; ``snares``: the numbers of snares in ``close``.
    """
    out = drum.copy()
    nearest, below = nearest_mic(standing_db, close)
    for number in snares:
        mine = np.unique(out[owner == number])
        if not len(mine) or any(_sounds_so(kinds, out == d) for d in mine):
            continue
        next_here = (nearest == number) & (below >= -NEXT_DB)
        able = [d for d in np.unique(out[next_here])
                if (owner[out == d] < 0).all() and (said[out == d] < 0).all() and _sounds_so(kinds, out == d)]
        if able:
            most = max(able, key=lambda d: int(kinds.members[out == d].sum()))
            out[np.isin(out, [*mine, most])] = mine[0]
    return out


def _sounds_so(kinds: Templates, of: NDArray[np.bool_]) -> bool:
    """Whether a drum's most frequent kind sounds like a snare."""
    rows = np.flatnonzero(of)
    return kind_by_sound(kinds.energy[rows[kinds.members[rows].argmax()]].sum(axis=0)) == "snare"
