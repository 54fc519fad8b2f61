"""What a kit lacks: velocities nobody answers, steps too wide, too few round robins, rings cut short.

The limits are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from oneshot.core.records.hits import Articulation, Drum, Hit
from oneshot.core.records.kit import Kit, OneShot
from oneshot.core.text import counted
from oneshot.kit.levels import hit_levels_dbfs, level_range
from oneshot.kit.report.left_out import fate
from oneshot.kit.report.markup import figure
from oneshot.kit.report.order import in_kit_order
from oneshot.kit.report.text import is_short

WIDE_STEP_DB = 6.0
FEW_ROBINS = 3


@dataclass(frozen=True, slots=True)
class Gap:
    """Something a drum and articulation (``where``) lacks, and what to ``record`` next time."""

    where: str
    what: str
    record: str


def gaps(kit: Kit) -> list[Gap]:
    """What the kit lacks, drum by drum."""
    hits, levels = {hit.id: hit for hit in kit.hits}, hit_levels_dbfs(kit)
    return [Gap(f"{drum.name}, {how.name}", what, record) for drum in in_kit_order(kit.drums)
            for how in drum.articulations for what, record in _lacks(shots_of(kit, drum, how), hits, levels)]


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


def _lacks(shots: Sequence[OneShot], hits: Mapping[int, Hit], levels: Mapping[int, float | None]
           ) -> list[tuple[str, str]]:
    if not shots:
        return [("no one-shot", "single hits, soft to hard, each with its full decay")]
    lacks = [(f"velocities {low} to {high} are silent", "hits at that velocity")
             for low, high in unanswered(shots)]
    layers = by_layer(shots)
    lacks += [_step(layers[softer], layers[harder], levels) for softer, harder, _ in wide_steps(layers, levels)]
    few = {layer: FEW_ROBINS - len(members) for layer, members in layers.items() if len(members) < FEW_ROBINS}
    if few:
        more = sum(few.values())
        as_loud = "those layers" if len(few) > 1 else "that layer"
        group = (shots[0].drum, shots[0].articulation)
        dirty = sum(hit.layer in few and fate(hit) == "not clean" for hit in hits.values()
                    if (hit.drum, hit.articulation) == group)
        lacks.append((f"fewer than {FEW_ROBINS} round robins in {numbered('layer', list(few))}: repeats are audible",
                      f"{counted(more, 'more hit')} at the level of {as_loud}"
                      + (f", struck alone: {dirty} of that level {'is' if dirty == 1 else 'are'} not clean" if dirty
                         else "")))
    short = sum(is_short(shot) for shot in shots)
    if short:
        have = "has" if short == 1 else "have"
        lacks.append((f"{short} of {len(shots)} {have} less than 40 dB of decay", "hits with their full decay"))
    return lacks


def wide_steps(layers: Mapping[int, Sequence[OneShot]], levels: Mapping[int, float | None]
               ) -> list[tuple[int, int, float]]:
    """(softer layer, harder layer, dB between them) of neighbours further apart than a step should be.

    ``levels``: hit -> its level, dB.
    """
    found = []
    for softer, harder in pairwise(sorted(layers)):
        low, high = (level_range([levels.get(shot.hit) for shot in layers[n]]) for n in (softer, harder))
        if low is not None and high is not None and high[0] - low[1] > WIDE_STEP_DB:
            found.append((softer, harder, high[0] - low[1]))
    return found


def _step(softer: Sequence[OneShot], harder: Sequence[OneShot], levels: Mapping[int, float | None]) -> tuple[str, str]:
    """A step that is too wide, and what to record between."""
    low = max(level for shot in softer if (level := levels.get(shot.hit)) is not None)
    high = min(level for shot in harder if (level := levels.get(shot.hit)) is not None)
    middles = [round(sum(layer[0].velocity) / 2) for layer in (softer, harder)]
    what = (f"wide step between velocities {middles[0]} and {middles[1]}: {high - low:.0f} dB from layer "
            f"{softer[0].layer} to layer {harder[0].layer}")
    return what, f"hits between those two: {figure(low, digits=0)} to {figure(high, 'dBFS', digits=0)}, all mics added"


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
