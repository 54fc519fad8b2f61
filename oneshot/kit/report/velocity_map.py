"""The playable map a page opens with: for each drum and articulation a strip over velocity 1 to 127.

A strip is drawn from what the mapping plays: its layers side by side, the level wanted at each velocity as their
height, each round robin as a dot at its own level, in turn from left to right. What is missing is marked in place:
velocities nobody answers, layers with few round robins, wide steps. Clean hits the layer has no room for are rings at
its foot.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from oneshot.core.errors import KitError
from oneshot.core.records.hits import Articulation, Drum
from oneshot.core.records.kit import Kit, OneShot
from oneshot.core.text import counted
from oneshot.kit.levels import hit_levels_dbfs, mix_levels_dbfs
from oneshot.kit.playback.keymap import layers_of
from oneshot.kit.report.gaps import FEW_ROBINS, by_layer, shots_of, unanswered, wide_steps
from oneshot.kit.report.left_out import fate
from oneshot.kit.report.markup import Content, Markup, figure, tag
from oneshot.kit.report.order import in_kit_order

TOP, FOOT = 6.0, 74.0
"""Where the loudest and the softest level stand on a strip 100 high; below the foot is room for spares."""
SPARE_AT = 88.0
MOST_RINGS = 6
"""Rings of a layer that are drawn; how many there are is said in words."""
LINES_DB = 12


@dataclass(frozen=True, slots=True)
class Cell:
    """A layer on a strip: velocities ``low`` to ``high``, its one-shots in turn, and the level wanted at each velocity,
    dBFS (empty where the layers leave velocities out, so that nothing can be said).

    ``beside``: one-shots that the mapping of the close mics alone plays; ``spare``: clean hits without a one-shot.
    """

    number: int
    low: int
    high: int
    shots: tuple[OneShot, ...]
    wanted: Mapping[int, float]
    beside: tuple[OneShot, ...]
    spare: int

    @property
    def wants(self) -> int:
        """Round robins by which it falls short of what keeps repeats from being heard."""
        return max(0, FEW_ROBINS - len(self.shots))


@dataclass(frozen=True, slots=True)
class Row:
    """A strip: a drum struck in one way. ``silent``: velocities nobody answers; ``steps``: (velocity, dB) of steps that
    are too wide; ``left_out``: hits without a one-shot.
    """

    drum: Drum
    how: Articulation
    cells: tuple[Cell, ...]
    silent: tuple[tuple[int, int], ...]
    steps: tuple[tuple[float, float], ...]
    left_out: int

    @property
    def name(self) -> str:
        """``snare, centre``."""
        return f"{self.drum.name}, {self.how.name}"


def rows_of(kit: Kit) -> list[Row]:
    """The strips of a kit, in its order."""
    levels, hit_levels = mix_levels_dbfs(kit), hit_levels_dbfs(kit)
    spare: Counter[tuple[str, str, int | None]] = Counter()
    left_out: Counter[tuple[str, str]] = Counter()
    for hit in kit.hits:
        if not hit.kept:
            left_out[hit.drum, hit.articulation] += 1
            spare[hit.drum, hit.articulation, hit.layer] += fate(hit) == "spare"
    rows = []
    for drum in in_kit_order(kit.drums):
        for how in drum.articulations:
            shots = shots_of(kit, drum, how)
            of_layer = {layer: spare[drum.name, how.name, layer] for layer in by_layer(shots)}
            rows.append(Row(drum, how, _cells(shots, levels, of_layer), tuple(unanswered(shots) if shots else ()),
                            _steps(shots, hit_levels), left_out[drum.name, how.name]))
    return rows


def _cells(shots: Sequence[OneShot], levels: Mapping[int, float | None], spare: Mapping[int, int]) -> tuple[Cell, ...]:
    """The layers that the kit's mapping plays; those of the one-shots as they stand where it can play none."""
    try:
        played = layers_of(shots, levels) if shots else ()
    except KitError:
        played = ()
    rows: list[tuple[int, int, int, Sequence[OneShot], Mapping[int, float]]] = [
        (each.number, each.low, each.high, [shot for shot in each.alternates if not shot.close_only], each.wanted_db)
        for each in played] or [
        (number, *members[0].velocity, members, {}) for number, members in by_layer(shots).items()]
    there = {shot.hit for _, _, _, members, _ in rows for shot in members}
    cells = []
    for number, low, high, members, wanted in rows:
        beside = tuple(shot for shot in shots if shot.hit not in there and low <= sum(shot.velocity) // 2 <= high)
        inside = {number, *(shot.layer for shot in beside)}
        cells.append(Cell(number, low, high, tuple(members), wanted, beside, sum(spare.get(n, 0) for n in inside)))
    return tuple(cells)


def _steps(shots: Sequence[OneShot], levels: Mapping[int, float | None]) -> tuple[tuple[float, float], ...]:
    """Where a step between two layers is too wide: the velocity between them, and by how much, dB."""
    layers = by_layer(shots)
    return tuple(((layers[softer][0].velocity[1] + layers[harder][0].velocity[0]) / 2, step)
                 for softer, harder, step in wide_steps(layers, levels))


# ---------------------------------------------------------------------------------------------------------------- shown


def level_span(rows: Sequence[Row], levels: Mapping[int, float | None]) -> tuple[int, int]:
    """Least and greatest level on the strips, dBFS, in whole steps of 6: of what is wanted and of what was recorded."""
    known = [level for row in rows for cell in row.cells for level in cell.wanted.values()]
    known += [level for row in rows for cell in row.cells for shot in cell.shots
              if (level := levels.get(shot.hit)) is not None]
    if not known:
        return -60, 0
    low, high = 6 * math.floor(min(known) / 6), 6 * math.ceil(max(known) / 6)
    return (low, high) if high > low else (low, low + 6)


def map_markup(kit: Kit, rows: Sequence[Row]) -> Content:
    """The map as markup: an axis of velocity, a strip for each row, and what its marks mean."""
    levels = mix_levels_dbfs(kit)
    span = level_span(rows, levels)
    lines: list[Content] = []
    drum = ""
    for number, row in enumerate(rows):
        lines.append(_row(row, number, levels, span, first=row.drum.name != drum))
        drum = row.drum.name
    ticks = [tag("span", str(v), style=f"left:{_across(v):.1f}%") for v in (1, 32, 64, 96, 127)]
    axis = tag("div", tag("span", "Velocity", class_="strip-name"), tag("span", ticks, class_="ticks"),
               class_="strip-row axis", aria_hidden="true")
    return tag("div", axis, lines, class_="map", role="group",
               aria_label="Velocity map: arrow keys move, Enter plays"), _marks(span)


def _row(row: Row, number: int, levels: Mapping[int, float | None], span: tuple[int, int], *, first: bool) -> Markup:
    keys = f"key {row.how.key}" + ("" if row.how.second_key is None else f" and {row.how.second_key}")
    name = tag("span", tag("b", row.drum.name, class_=None if first else "again"), " ", row.how.name,
               tag("span", keys, class_="sub"), class_="strip-name")
    shots = sum(len(cell.shots) for cell in row.cells)
    wanted = sum(cell.wants for cell in row.cells)
    facts = [counted(len(row.cells), "layer"), counted(shots, "round robin")] if row.cells else []
    widest = figure(max((step for _, step in row.steps), default=0.0), "dB", digits=0)
    lacks = [f"step of {widest}" if len(row.steps) == 1 else f"{len(row.steps)} wide steps, up to {widest}"] \
        if row.steps else []
    lacks += [f"{wanted} more wanted"] if wanted else []
    lacks += ["velocities without a sound"] if row.silent else []
    said = tag("span", tag("span", ", ".join(facts)),
               tag("span", ", ".join(lacks), class_="lack") if lacks else None, class_="strip-facts")
    if not row.cells:
        empty = f"no one-shot; {counted(row.left_out, 'hit')} left out" if row.left_out else "no one-shot"
        inner: Content = tag("span", empty, class_="silent", style="left:0;width:100%")
    else:
        inner = [_drawing(row, levels, span), [_silent(low, high) for low, high in row.silent],
                 [_button(row, cell, number, i) for i, cell in enumerate(row.cells)]]
    return tag("div", name, tag("div", inner, class_="strip"), said, class_="strip-row", role="group",
               aria_label=row.name)


def _silent(low: int, high: int) -> Markup:
    """Velocities nobody answers."""
    return tag("span", "silent", class_="silent", style=_place(low, high))


def _button(row: Row, cell: Cell, number: int, index: int) -> Markup:
    """What plays a layer; the velocity it plays at depends on where it is touched."""
    parts = [f"layer {cell.number}", counted(len(cell.shots), "round robin")]
    if cell.spare:
        parts.append(f"{cell.spare} spare")
    if cell.beside:
        parts.append(f"{len(cell.beside)} in close mics alone")
    if cell.wants:
        parts.append(f"{cell.wants} more wanted")
    label = f"{row.name}, velocity {cell.low} to {cell.high}: {', '.join(parts)}"
    wants = tag("span", f"+{cell.wants}", class_="wants", aria_hidden="true") if cell.wants else None
    return tag("button", wants, type="button", class_="cell", data_row=number, data_cell=index,
               style=_place(cell.low, cell.high), aria_label=label)


def _drawing(row: Row, levels: Mapping[int, float | None], span: tuple[int, int]) -> Markup:
    """Layers, levels and round robins of a strip; the buttons over it say the same in words."""
    ground, tops, dots, rings = [], [], [], []
    for cell in row.cells:
        middle = (cell.low + cell.high) // 2
        heights = {v: _up(cell.wanted[v], span) for v in sorted({cell.low, middle, cell.high}) if v in cell.wanted}
        known = [level for shot in cell.shots if (level := levels.get(shot.hit)) is not None]
        flat = _up(sum(known) / len(known), span) if known else FOOT
        left, right = cell.low - 1.0, float(cell.high)
        curve = [(left, heights.get(cell.low, flat)), (middle - 0.5, heights.get(middle, flat)),
                 (right, heights.get(cell.high, flat))]
        line = "L".join(f"{x:g} {y:.1f}" for x, y in curve)
        ground.append(f"M{left:g} {FOOT:g}L{line}L{right:g} {FOOT:g}z")
        tops.append(f"M{line}")
        dots += [f"M{x:g} {y:g}h0" for x, y in _dots(cell, levels, span)]
        drawn = min(cell.spare, MOST_RINGS)
        rings += [f"M{left + (i + 0.5) * (right - left) / drawn:.1f} {SPARE_AT:g}h0" for i in range(drawn)]
    grid = "".join(f"M0 {_up(level, span):.1f}H127" for level in range(span[0], span[1] + 1) if level % LINES_DB == 0)
    borders = "".join(f"M{cell.high} 0V{FOOT:g}" for cell in row.cells[:-1])
    steps = "".join(f"M{at:g} 0V{FOOT:g}" for at, _ in row.steps)
    paths = [("ground", ground), ("lines", [grid]), ("borders", [borders]), ("tops", tops), ("steps", [steps]),
             ("dots", dots), ("rings", rings), ("rings in", rings)]
    return tag("svg", [tag("path", d="".join(parts), class_=name) for name, parts in paths if any(parts)],
               viewBox="0 0 127 100", preserveAspectRatio="none", aria_hidden="true", focusable="false")


def _dots(cell: Cell, levels: Mapping[int, float | None], span: tuple[int, int]) -> list[tuple[float, float]]:
    """Where a layer's round robins stand on its strip, in turn: velocity, and place from the top of 100; at the foot
    where the level is not known.
    """
    each = (cell.high - cell.low + 1) / max(1, len(cell.shots))
    return [(round(cell.low - 1 + (i + 0.5) * each, 1), FOOT if level is None else round(_up(level, span), 1))
            for i, level in enumerate(levels.get(shot.hit) for shot in cell.shots)]


def _marks(span: tuple[int, int]) -> Markup:
    """What is drawn, in words."""
    def mark(name: str, text: str) -> Markup:
        """One mark and its meaning."""
        return tag("span", tag("i", class_=f"mark {name}", aria_hidden="true"), text)

    few = tag("span", tag("b", "+1", class_="lack"), f" so many more round robins make {FEW_ROBINS}")
    return tag("p", mark("dot", "round robin at its recorded level"), mark("ring", "spare: clean, its layer is full"),
               few, mark("step", "step wider than 6 dB"), mark("hatch", "nothing plays"),
               tag("span", f"Height: level played, {figure(span[0], digits=0)} to {figure(span[1], digits=0)} dBFS "
                           f"(mean square, first 300 ms, mics mixed by the balance); lines {LINES_DB} dB apart"),
               class_="marks note")


def map_data(kit: Kit, rows: Sequence[Row]) -> list[dict[str, Any]]:
    """What the script needs of the map; one-shots by their number in the kit.

    ``wanted`` of a layer holds, velocity by velocity, the level wanted, dBFS; of one that has none it is empty.
    """
    numbers = {shot.hit: number for number, shot in enumerate(kit.one_shots)}
    levels = mix_levels_dbfs(kit)
    span = level_span(rows, levels)
    return [{"name": row.name,
             "cells": [{"layer": cell.number, "low": cell.low, "high": cell.high,
                        "shots": [numbers[shot.hit] for shot in cell.shots],
                        "dots": _dots(cell, levels, span), "beside": [numbers[shot.hit] for shot in cell.beside],
                        "wanted": [round(cell.wanted[v], 1) for v in range(cell.low, cell.high + 1)]
                        if cell.wanted else []} for cell in row.cells]} for row in rows]


def _across(velocity: float) -> float:
    """Where a velocity stands on a strip, percent of its width."""
    return (velocity - 0.5) / 127 * 100


def _place(low: int, high: int) -> str:
    return f"left:{(low - 1) / 1.27:.2f}%;width:{(high - low + 1) / 1.27:.2f}%"


def _up(level: float, span: tuple[int, int]) -> float:
    """Where a level stands on a strip 100 high, from its top."""
    share = (level - span[0]) / (span[1] - span[0])
    return FOOT + min(max(share, 0.0), 1.0) * (TOP - FOOT)
