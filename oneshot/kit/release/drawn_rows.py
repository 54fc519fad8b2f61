"""What is drawn of a kit, on its cover and its sheet: of each articulation a sound of every layer, softest first. That
of the keys that the kit has, or of its prints where it has nothing else.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from oneshot.audio.io import read_audio
from oneshot.core.records.hits import Drum
from oneshot.core.records.kit import Kit, OneShot, Print
from oneshot.core.records.session import Floats
from oneshot.core.text import counted
from oneshot.cutting.mix import mixdown
from oneshot.kit.playback import keymap, prints_in_turn


@dataclass(frozen=True, slots=True)
class Row:
    """An articulation of a drum: what it is called beside its drum; how many one-shots or prints it has; one of each
    layer, softest first.
    """

    drum: Drum
    called: str
    count: int
    layers: tuple[OneShot | Print, ...]


def rows_of(kit: Kit) -> list[Row]:
    """All of a kit, in the order of its drums. Raises KitError as ``keymap.keys_of`` does."""
    if not kit.prints_alone:
        return [Row(key.drum, f"{key.articulation}, key {key.key}", sum(len(layer.alternates) for layer in key.layers),
                    tuple(layer.alternates[0] for layer in key.layers))
                for key in keymap.keys_of(kit, keymap.mix_levels(kit))]
    drums = {drum.name: drum for drum in kit.drums}
    groups: dict[tuple[str, str, str], list[OneShot | Print]] = {}
    for each in prints_in_turn.ladder(kit):
        groups.setdefault((each.drum, each.articulation, each.print), []).append(each)
    order = {name: number for number, name in enumerate(drums)}
    return [Row(drums[drum], f"{articulation}, {name}",
                sum((each.drum, each.articulation, each.print) == (drum, articulation, name) for each in kit.prints),
                tuple(layers))
            for (drum, articulation, name), layers in sorted(groups.items(), key=lambda row: order[row[0][0]])]


def amount(kit: Kit) -> str:
    """How much there is of a kit, in words."""
    every: tuple[OneShot | Print, ...] = kit.prints if kit.prints_alone else kit.one_shots
    return f"{counted(len({each.drum for each in every}), 'drum')}, " + counted(
        len(every), "print" if kit.prints_alone else "one-shot")


def sound_of(kit: Kit, folder: Path, one: OneShot | Print, seconds: float) -> tuple[Floats, int, int]:
    """The sound of a one-shot by the balance, or of a print: (float64 (channels, frames), full scale 1.0; sample rate;
    frame of its attack), to so many seconds after its attack. Raises AudioError where a file cannot be read.
    """
    take = next(each.take for each in kit.hits if each.id == one.hit)
    source = one if isinstance(one, Print) else one.files[0]
    rate = source.sample_rate or kit.session.take(take).sample_rate
    attack = one.offset_frames if isinstance(one, Print) else one.files[0].onset_frame
    most = attack + round(seconds * rate)
    x = read_audio(folder / one.path, most)[0] if isinstance(one, Print) else \
        mixdown.stereo(folder, one, kit.balance, most)[0]
    return x, rate, attack
