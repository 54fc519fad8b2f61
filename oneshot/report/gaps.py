"""What a kit lacks: velocities nobody answers, steps too wide, too few alternates, rings cut short.

The limits are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from oneshot.model import Articulation, Drum, Hit, Kit, OneShot
from oneshot.report.data import level_range
from oneshot.report.text import is_short

WIDE_STEP_DB = 6.0
FEW_ROBINS = 3


def gaps(kit: Kit) -> list[tuple[str, str]]:
    """(drum and articulation, what is missing), in the kit's order."""
    found = []
    hits = {hit.id: hit for hit in kit.hits}
    for drum in kit.drums:
        for how in drum.articulations:
            shots = shots_of(kit, drum, how)
            found += [(f"{drum.name}, {how.name}", text) for text in _lacks(shots, hits)]
    return found


def shots_of(kit: Kit, drum: Drum, how: Articulation) -> list[OneShot]:
    """The one-shots of a drum struck in one way, softest layer first."""
    return sorted((shot for shot in kit.one_shots if (shot.drum, shot.articulation) == (drum.name, how.name)),
                  key=lambda shot: (shot.layer, shot.round_robin))


def by_layer(shots: Sequence[OneShot]) -> dict[int, list[OneShot]]:
    """Layer -> its one-shots, softest layer first."""
    layers: dict[int, list[OneShot]] = {}
    for shot in sorted(shots, key=lambda shot: (shot.layer, shot.round_robin)):
        layers.setdefault(shot.layer, []).append(shot)
    return layers


def unanswered(shots: Sequence[OneShot]) -> list[tuple[int, int]]:
    """Stretches of MIDI velocity 1 to 127 (inclusive) that no layer covers."""
    covered = {velocity for shot in shots for velocity in range(shot.velocity[0], shot.velocity[1] + 1)}
    free = [velocity for velocity in range(1, 128) if velocity not in covered]
    starts = [v for v in free if v - 1 not in free]
    ends = [v for v in free if v + 1 not in free]
    return list(zip(starts, ends, strict=True))


def _lacks(shots: Sequence[OneShot], hits: dict[int, Hit]) -> list[str]:
    if not shots:
        return ["no one-shot at all"]
    lacks = [f"velocities {low} to {high} sound nothing" for low, high in unanswered(shots)]
    layers = by_layer(shots)
    levels = {layer: level_range([hits[shot.hit].level_db for shot in members]) for layer, members in layers.items()}
    for softer, harder in pairwise(sorted(layers)):
        low, high = levels[softer], levels[harder]
        step = high[0] - low[1] if low is not None and high is not None else 0.0
        if step > WIDE_STEP_DB:
            lacks.append(f"{step:.0f} dB between layers {softer} and {harder}: strokes in between are missing")
    few = [layer for layer, members in layers.items() if len(members) < FEW_ROBINS]
    if few:
        lacks.append(f"fewer than {FEW_ROBINS} round robins in {numbered('layer', few)}: repeats will be heard")
    short = sum(is_short(shot) for shot in shots)
    if short:
        lacks.append(f"{short} of {len(shots)} ring shorter than 40 dB: record strokes with time to ring")
    return lacks


def numbered(word: str, numbers: Sequence[int]) -> str:
    """``layer 3``, ``layers 1, 2 and 5``; runs of three and more as ``1 to 4``."""
    runs: list[list[int]] = []
    for number in sorted(numbers):
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    parts = [text for run in runs
             for text in ([f"{run[0]} to {run[-1]}"] if len(run) > 2 else [str(number) for number in run])]
    listed = parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"
    return f"{word if len(numbers) == 1 else word + 's'} {listed}"
