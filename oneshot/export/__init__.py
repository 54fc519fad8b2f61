"""What a finished kit is written as: one file per format, one row per format in ``FORMATS``.

Each exporter is ``write(kit, folder) -> list of the files it wrote``. It reads the finished ``Kit`` and nothing else:
no audio, no session; what the kit does not hold it does not say. ``keys.py`` gives the MIDI keys that mappings share.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from oneshot.export import hits_csv, manifest, readme, sfz
from oneshot.model import Kit


@dataclass(frozen=True, slots=True)
class Format:
    """One row: ``name`` as the user knows it, ``write`` its exporter, ``about`` what it is good for."""

    name: str
    write: Callable[[Kit, Path], list[Path]]
    about: str


FORMATS: tuple[Format, ...] = (
    Format("manifest", manifest.write, "manifest.json and its JSON Schema: all that is known of the kit, for programs"),
    Format("hits", hits_csv.write, "hits.csv: one line per hit, for a spreadsheet"),
    Format("readme", readme.write, "README.txt: what the kit is, for whoever opens the folder"),
    Format("sfz", sfz.write, "mappings/kit.sfz: layers, round robins, balance and chokes, ready to play"),
)


def write_all(kit: Kit, folder: Path) -> list[Path]:
    """Every format into the kit's folder, which must exist; the files written, in the table's order.

    Raises KitError where the kit cannot be expressed, OSError where the disk refuses.
    """
    return [path for row in FORMATS for path in row.write(kit, folder)]
