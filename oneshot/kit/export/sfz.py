"""mappings/kit.sfz and one mapping per drum, for any instrument that reads SFZ (community specification, versions 1
and 2).

One <group> per one-shot, one <region> per file:

- Layers tile velocities 1 to 127 without gap or overlap; the kit's own ranges are used.
- Round robins are sequences (``seq_length``, ``seq_position``), never random ranges: some players draw a random number
  per region, which would take the close mic of one hit and the overhead of another. All files of a hit share a number.
- Level: each layer is a recording at its own strength, so the default velocity curve would attenuate it a second time.
  Instead ``amp_velcurve_N`` brings each one-shot to the level that ``kit/playback/keymap.py`` wants at a velocity. The
  curve has effect only with ``amp_veltrack=100``, which is therefore written out. It cannot be above 1, so that what
  has to be raised raises the mics' variables for the whole kit and lowers everything else.
- ``mappings/close.sfz`` plays every one-shot without overheads and rooms, also those whose far mics hold too much bleed
  for ``kit.sfz``; it is there where files of overheads or rooms are.
- The balance: one variable a mic (``#define``), its gain; pan, width and polarity stand in the regions.
- ``key`` comes before all other keys of a region's pitch, ``loop_mode=one_shot`` is explicit, and only drums that choke
  get a ``group`` (off_by=0 read literally would make everything monophonic).
- Where a hat has three openings or more, one more key plays them all, chosen by controller 4 (foot pedal): from open at
  0 to closed at 127.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from oneshot.config.corrections_file import safe_name
from oneshot.core.files import write_atomic
from oneshot.core.records.kit import Fader, Kit, OneShot, Sample, kit_info
from oneshot.core.text import one_line
from oneshot.kit.export.keys import FREE_KEYS
from oneshot.kit.playback import keymap
from oneshot.kit.playback.keymap import CHOKE_S, Key, Layer

NAME = "mappings/kit.sfz"
CLOSE_NAME = "mappings/close.sfz"
DRUM_NAME = "mappings/drums/{}.sfz"
LOUDEST_DB = 6.0
"""Largest value of ``volume``; louder balances are lowered as a whole."""
POINT_STEP = 4
"""A curve has a point at each end of its range and every so many velocities; players join them by straight lines."""
OPENINGS = ("open", "half-open", "closed")
"""From controller 4 at 0 to 127."""


def write(kit: Kit, folder: Path) -> list[Path]:
    """mappings/kit.sfz, mappings/close.sfz and mappings/drums/<drum>.sfz below the kit's folder; their paths.

    Raises KitError where a drum's layers do not tile 1 to 127.
    """
    (folder / "mappings" / "drums").mkdir(parents=True, exist_ok=True)
    rows = _mappings(kit)
    for name, drum in rows.items():
        write_atomic(folder / name, to_sfz(keymap.close_view(kit) if name == CLOSE_NAME else kit, drum))
    return [folder / name for name in rows]


def names(kit: Kit) -> list[str]:
    """Paths of what ``write`` writes, from the kit's folder."""
    return list(_mappings(kit))


def _mappings(kit: Kit) -> dict[str, str | None]:
    """Path of a mapping -> the one drum in it; None for all."""
    there = {shot.drum for shot in kit.one_shots}
    close = {CLOSE_NAME: None} if any(file.far for shot in kit.one_shots for file in shot.files) else {}
    return {NAME: None, **close, **{DRUM_NAME.format(safe_name(drum.name) or "drum"): drum.name
                           for drum in kit.drums if drum.name in there}}


def to_sfz(kit: Kit, only: str | None = None) -> str:
    """The mapping as text, of the whole kit or of one drum. Raises KitError where layers do not tile 1 to 127."""
    info = kit_info(kit)
    keys = keymap.keys_of(kit, keymap.mix_levels(kit))
    raised = _raised(keys)
    chokes = {name: number for number, name in enumerate(sorted({d.choke for d in kit.drums if d.choke}), start=1)}
    mine = [key for key in keys if only in (None, key.drum.name)]
    names = variables(sample for key in mine for layer in key.layers for shot in layer.alternates
                      for sample in shot.files if sample.plays)
    title = " ".join(one_line(str(info["name"])).split()) + ("" if only is None else f": {only}")
    lines = [f"// {title}, version {info['version']}. Built with {kit.generator}.",
             "// Layers and round robins of whole hits: all mics of a hit play together.",
             "// Level of each mic or pair, dB; change it here:"]
    shift = min(0.0, LOUDEST_DB - max((_gain(mics, kit.balance) for mics in names), default=0.0) - raised)
    lines += [f"#define ${name} {_gain(mics, kit.balance) + raised + shift:.2f}" for mics, name in names.items()]
    lines += ["", "<control>", f"default_path={'../' if only is None else '../../'}", "", "<global>",
              "loop_mode=one_shot", "amp_veltrack=100"]
    for key in mine:
        lines += ["", f"// {key.drum.name}, {key.articulation}"]
        lines += _key(kit, key, key.key, [], raised, names, chokes)
    return "\n".join(map(one_line, [*lines, *_by_pedal(kit, keys, mine, raised, names, chokes)])) + "\n"


def variables(samples: Iterable[Sample]) -> dict[tuple[str, ...], str]:
    """Mics of a file -> the name of their variable: letters, digits and underscores, no name the start of another."""
    found: dict[tuple[str, ...], str] = {}
    for sample in samples:
        if sample.mics not in found:
            shared = sample.mics[0]
            if len(sample.mics) == 2:
                shared = re.sub(r"[^A-Za-z0-9]*(left|right|l|r)$", "", shared, flags=re.IGNORECASE) or shared
            stem = re.sub(r"[^A-Za-z0-9]+", "_", shared).strip("_").lower() or "mic"
            # a reader replaces the first name that fits: number and ending keep one from being another's beginning
            found[sample.mics] = f"level{len(found) + 1:02d}_{stem}_db"
    return found


def _by_pedal(kit: Kit, every: Sequence[Key], mine: Sequence[Key], raised: float,
              names: Mapping[tuple[str, ...], str], chokes: Mapping[str, int]) -> list[str]:
    """A key on which controller 4 chooses a hat's opening, for each hat that has three of them or more."""
    lines: list[str] = []
    taken = {key.key for key in every}
    for drum in dict.fromkeys(key.drum for key in mine if key.drum.kind == "hat"):
        ways = {key.articulation: key for key in reversed(mine) if key.drum == drum}
        openings = [ways[name] for name in OPENINGS if name in ways]
        free = next((key for key in FREE_KEYS if key not in taken), None)
        if len(openings) < len(OPENINGS) or free is None:
            continue
        taken.add(free)
        lines += ["", f"// {drum.name} by the pedal: controller 4 from open (0) to closed (127)"]
        edges = [round(128 * n / len(openings)) for n in range(len(openings) + 1)]
        for way, low, high in zip(openings, edges, edges[1:], strict=False):
            lines += _key(kit, way, free, [f"locc4={low} hicc4={high - 1}"], raised, names, chokes)
    return lines


def _key(kit: Kit, key: Key, number: int, more: Sequence[str], raised: float, names: Mapping[tuple[str, ...], str],
         chokes: Mapping[str, int]) -> list[str]:
    """All groups and regions of one key, softest layer first."""
    lines: list[str] = []
    choke = []
    if key.drum.choke is not None:
        group = chokes[key.drum.choke]
        choke = [f"group={group} off_by={group} off_mode=normal ampeg_release={CHOKE_S}"]
    for layer in key.layers:
        for position, shot in enumerate(layer.alternates, start=1):
            heard = [(sample, faders) for sample in shot.files
                     if sample.plays and (faders := _faders(sample.mics, kit.balance))]
            if heard:
                lines += ["<group>", f"key={number}", f"lovel={layer.low} hivel={layer.high}",
                          f"seq_length={len(layer.alternates)} seq_position={position}",
                          f"note_polyphony={key.voices * len(heard)}", *choke, *more,
                          *_curve(layer, shot, raised)]
                lines += [_region(sample, faders, names[sample.mics]) for sample, faders in heard]
    return lines


def _curve(layer: Layer, shot: OneShot, raised: float) -> list[str]:
    """The gain of a one-shot over its layer's velocities as amp_velcurve points, at most 1."""
    points = sorted({*range(layer.low, layer.high, POINT_STEP), layer.high})
    words = [f"amp_velcurve_{v}={10 ** ((layer.gain_db(shot, v) - raised) / 20):.5f}" for v in points]
    return [" ".join(words[at:at + 6]) for at in range(0, len(words), 6)]


def _region(sample: Sample, faders: Sequence[Fader], variable: str) -> str:
    """One file. ``faders``: of its mics, one or, for a pair, two."""
    words = ["<region>", f"volume=${variable}"]
    if len(faders) == 1:
        words.append(f"pan={100 * faders[0].pan:.0f}")
    else:
        left, right = faders[0].pan, faders[1].pan
        words += [f"width={50 * (right - left):.0f}", f"position={50 * (left + right):.0f}"]
    if (faders[0].polarity < 0) != sample.inverted:
        words.append("phase=invert")
    # the sample's name comes last: in SFZ it runs to the end of the line
    return " ".join([*words, f"sample={sample.path}"])


def _faders(mics: Sequence[str], balance: Mapping[str, Fader]) -> list[Fader]:
    """Faders of a file's mics; empty where they are off."""
    faders = [balance.get(mic, Fader()) for mic in mics]
    return faders if any(fader.on for fader in faders) else []


def _gain(mics: Sequence[str], balance: Mapping[str, Fader]) -> float:
    """Level of a file by the balance, dB: a pair's is the mean of its two."""
    faders = [balance.get(mic, Fader()) for mic in mics]
    return sum(fader.gain_db for fader in faders) / len(faders)


def _raised(keys: Sequence[Key]) -> float:
    """By how much (dB, 0 or more) the one-shot that needs it most is raised above its recorded level."""
    return max([0.0, *(layer.gain_db(shot, layer.high) for key in keys for layer in key.layers
                       for shot in layer.alternates)])
