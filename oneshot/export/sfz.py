"""mappings/kit.sfz: the kit for any instrument that reads SFZ (community specification, versions 1 and 2).

One <group> per layer, one <region> per file:

- Layers tile velocities 1 to 127 without gap or overlap; the kit's own ranges are used.
- Round robins are sequences (``seq_length``, ``seq_position``), never random ranges: some players draw a random number
  per region, which would take the close mic of one hit and the overhead of another. All files of a hit share a number.
- Level: each layer is a recording at its own strength, so the default velocity curve would attenuate it a second time.
  Instead ``amp_velcurve_N`` raises and lowers a layer around its natural level, so that a sweep over all velocities
  follows the measured levels in straight lines (dB over velocity) from layer to layer, with no step in between. A layer
  sounds as recorded at the middle of its range, the hardest one at 127, so the hardest is never made louder.
  The curve has effect only with ``amp_veltrack=100``, which is therefore written out.
- The balance stands in ``volume``, ``pan``, ``width`` and ``phase`` of the regions.
- ``key`` comes before all other keys of a region's pitch, ``loop_mode=one_shot`` is explicit, and only drums that choke
  get a ``group`` (off_by=0 read literally would make everything monophonic).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from pathlib import Path
from statistics import median

from oneshot.export.manifest import kit_info
from oneshot.files import write_atomic
from oneshot.model import Drum, Fader, Kit, KitError, OneShot, Sample

NAME = "mappings/kit.sfz"
LOUDEST_DB = 6.0
"""Largest value of ``volume``; louder balances are lowered as a whole."""
CHOKE_S = 0.04
"""Release of a choked sound. (20 to 80 ms, common practice, no source)"""
SLOPE_DB = 0.25
"""dB per velocity step of a drum with a single layer: 31 dB from 1 to 127. (common practice, no source)"""
SLOPES_DB = (0.1, 0.6)
"""Slope below the middle of the softest layer: as between the first two, within these."""
POINT_STEP = 4
"""A curve has a point at each end of its range and every so many velocities; players join them by straight lines."""


def write(kit: Kit, folder: Path) -> list[Path]:
    """mappings/kit.sfz below the kit's folder; its path. Raises KitError where a drum's layers do not tile 1 to 127."""
    path = folder / NAME
    path.parent.mkdir(exist_ok=True)
    write_atomic(path, to_sfz(kit))
    return [path]


def to_sfz(kit: Kit) -> str:
    """The mapping as text. Raises KitError where a drum's layers do not tile 1 to 127."""
    info = kit_info(kit)
    chokes = {name: number for number, name in enumerate(sorted({d.choke for d in kit.drums if d.choke}), start=1)}
    lines = [f"// {' '.join(str(info['name']).split())}, version {info['version']}. Built with {kit.generator}.",
             "// Layers and round robins of whole hits: all mics of a hit sound together.",
             "// The balance, by mic (dB, pan):"]
    lines += [f"//   {name}: {fader.gain_db:+.1f}, {fader.pan:+.2f}{', inverted' if fader.polarity < 0 else ''}"
              f"{'' if fader.on else ', off'}" for name, fader in kit.balance.items()]
    lines += ["", "<control>", "default_path=../", "", "<global>", "loop_mode=one_shot", "amp_veltrack=100"]
    shift = _shift(kit)
    for drum in kit.drums:
        for articulation in drum.articulations:
            shots = [shot for shot in kit.one_shots
                     if shot.drum == drum.name and shot.articulation == articulation.name]
            if shots:
                lines += ["", f"// {drum.name}, {articulation.name}"]
                lines += _key(kit, shots, articulation.key, shift, _choke(drum, chokes))
    return "\n".join(lines) + "\n"


def _choke(drum: Drum, chokes: Mapping[str, int]) -> list[str]:
    """Opcodes that let the strokes of one choke group cut each other."""
    if drum.choke is None:
        return []
    number = chokes[drum.choke]
    return [f"group={number}", f"off_by={number}", "off_mode=normal", f"ampeg_release={CHOKE_S}"]


def _key(kit: Kit, shots: Sequence[OneShot], key: int, shift: float, choke: Sequence[str]) -> list[str]:
    """All groups and regions of one key, softest layer first."""
    lines: list[str] = []
    curve = level_curve(_layers(kit, shots))
    for layer, (low, high) in sorted({shot.layer: shot.velocity for shot in shots}.items()):
        robins = sorted((shot for shot in shots if shot.layer == layer), key=lambda shot: shot.round_robin)
        gains = curve[layer]
        top = max(gains.values())
        points = sorted({*range(low, high, POINT_STEP), high})
        lines += ["<group>", f"key={key}", f"lovel={low}", f"hivel={high}", f"seq_length={len(robins)}", *choke]
        lines += [" ".join(f"amp_velcurve_{v}={10 ** ((gains[v] - top) / 20):.5f}" for v in points[at:at + 6])
                  for at in range(0, len(points), 6)]
        for position, shot in enumerate(robins, start=1):
            lines += [_region(sample, faders, position, top + shift) for sample in shot.files
                      if (faders := _faders(sample, kit.balance))]
    return lines


def _region(sample: Sample, faders: Sequence[Fader], position: int, offset_db: float) -> str:
    """One file. ``faders``: of its mics, one or, for a pair, two."""
    volume = sum(fader.gain_db for fader in faders) / len(faders) + offset_db
    words = ["<region>", f"seq_position={position}", f"volume={volume:.2f}"]
    if len(faders) == 1:
        words.append(f"pan={100 * faders[0].pan:.0f}")
    else:
        left, right = faders[0].pan, faders[1].pan
        words += [f"width={50 * (right - left):.0f}", f"position={50 * (left + right):.0f}"]
    if (faders[0].polarity < 0) != sample.inverted:
        words.append("phase=invert")
    # the sample's name comes last: in SFZ it runs to the end of the line
    return " ".join([*words, f"sample={sample.path}"])


def _faders(sample: Sample, balance: Mapping[str, Fader]) -> list[Fader]:
    """Faders of a file's mics; empty where they are off."""
    faders = [balance.get(mic, Fader()) for mic in sample.mics]
    return faders if any(fader.on for fader in faders) else []


def _shift(kit: Kit) -> float:
    """How far (dB) everything is lowered so that no ``volume`` passes its limit; 0 in the usual case."""
    by_stroke: dict[tuple[str, str], list[OneShot]] = {}
    for shot in kit.one_shots:
        by_stroke.setdefault((shot.drum, shot.articulation), []).append(shot)
    loudest = max((fader.gain_db for fader in kit.balance.values() if fader.on), default=0.0)
    above = max((max(gains.values()) for shots in by_stroke.values()
                 for gains in level_curve(_layers(kit, shots)).values()), default=0.0)
    return min(0.0, LOUDEST_DB - (loudest + above))


def _layers(kit: Kit, shots: Sequence[OneShot]) -> list[tuple[int, tuple[int, int], float | None]]:
    """(layer, velocity range, median level of its hits in dB), softest first. KitError where they do not tile."""
    levels = {hit.id: hit.level_db for hit in kit.hits}
    rows = []
    for layer in sorted({shot.layer for shot in shots}):
        members = [shot for shot in shots if shot.layer == layer]
        known = [level for shot in members if (level := levels.get(shot.hit)) is not None]
        if len({shot.velocity for shot in members}) > 1:
            raise KitError(f"{members[0].drum}/{members[0].articulation}: layer {layer} has several velocity ranges")
        rows.append((layer, members[0].velocity, median(known) if known else None))
    edges = [0, *(bound for _, velocity, _ in rows for bound in velocity), 128]
    if any(high - low != 1 for low, high in zip(edges[::2], edges[1::2], strict=True)) or any(
            low > high for _, (low, high), _ in rows):
        raise KitError(f"{shots[0].drum}/{shots[0].articulation}: its layers do not tile velocities 1 to 127")
    return rows


def level_curve(layers: Sequence[tuple[int, tuple[int, int], float | None]]) -> dict[int, dict[int, float]]:
    """Layer -> velocity -> gain (dB) against the layer's natural level, for every velocity of its range.

    ``layers``: (layer, velocity range, level in dB), softest first. The level wanted at a velocity runs in straight
    lines through the layers' levels at the middle of their ranges, the hardest layer's at 127; below the softest middle
    it goes on down. A layer measured softer than the one below it is raised to that one's level; one whose level is not
    known counts as level with it.
    """
    anchors: list[tuple[float, float]] = []
    natural: dict[int, float] = {}
    for index, (layer, (low, high), level) in enumerate(layers):
        below = anchors[-1][1] if anchors else level if level is not None else 0.0
        natural[layer] = below if level is None else level
        anchors.append((127.0 if index == len(layers) - 1 else (low + high) / 2, max(below, natural[layer])))
    slope = SLOPE_DB
    if len(anchors) > 1:
        (v0, l0), (v1, l1) = anchors[:2]
        slope = min(max((l1 - l0) / (v1 - v0), SLOPES_DB[0]), SLOPES_DB[1])
    return {layer: {velocity: _wanted(velocity, anchors, slope) - natural[layer]
                    for velocity in range(low, high + 1)} for layer, (low, high), _ in layers}


def _wanted(velocity: int, anchors: Sequence[tuple[float, float]], slope: float) -> float:
    """Level at a velocity: through the anchors, below the first one by ``slope``."""
    if velocity <= anchors[0][0]:
        return anchors[0][1] - slope * (anchors[0][0] - velocity)
    for (v0, l0), (v1, l1) in pairwise(anchors):
        if velocity <= v1:
            return l0 + (l1 - l0) * (velocity - v0) / (v1 - v0)
    return anchors[-1][1]
