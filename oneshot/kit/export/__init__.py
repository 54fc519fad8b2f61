"""What a finished kit is written as: one file per format, one row per format in ``FORMATS``.

Each exporter is ``write(kit, folder) -> list of the files it wrote``. It reads the finished ``Kit`` and the samples
that lie in its folder, nothing else: what the kit does not hold it does not say. ``keys.py`` gives the MIDI keys,
``kit/playback/keymap.py`` the levels that mappings share.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from oneshot.core.records.kit import Kit
from oneshot.kit.export import hits_csv, manifest, midi, readme, sf2, sfz


@dataclass(frozen=True, slots=True)
class Format:
    """One row: ``name`` as the user knows it, ``write`` its exporter, ``names`` the paths of all that it may write,
    from the kit's folder, ``about`` what it is good for, ``plays`` whether it plays one-shots and is nothing without.
    """

    name: str
    write: Callable[[Kit, Path], list[Path]]
    names: Callable[[Kit], Sequence[str]]
    about: str
    plays: bool = False


FORMATS: tuple[Format, ...] = (
    Format("manifest", manifest.write, lambda _: (manifest.NAME, manifest.SCHEMA_NAME),
           "manifest.json and its JSON Schema: all that is known of the kit, for programs"),
    Format("hits", hits_csv.write, lambda _: (hits_csv.NAME,), "hits.csv: one line per hit, for a spreadsheet"),
    Format("readme", readme.write, lambda _: (readme.NAME,),
           "README.txt: what the kit is, for whoever opens the folder"),
    Format("sfz", sfz.write, sfz.names,
           "mappings/kit.sfz, close.sfz (close mics alone) and drums/: layers, round robins, every mic, ready to play",
           plays=True),
    Format("sf2", sf2.write, lambda _: (sf2.NAME,),
           "mappings/kit.sf2: the balanced mix as a SoundFont, one preset a round robin", plays=True),
    Format("midi", midi.write, midi.names,
           "mappings/kit.mid and keys.csv: the key map; played-*.mid: each take as a performance", plays=True),
)


def write_all(kit: Kit, folder: Path) -> list[Path]:
    """Every format into the kit's folder, which must exist; the files written, in the table's order.

    Raises KitError where the kit cannot be expressed, OSError where the disk refuses.
    """
    return [path for row in FORMATS if kit.one_shots or not row.plays for path in row.write(kit, folder)]
