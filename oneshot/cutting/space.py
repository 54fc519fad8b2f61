"""Space: how many files a build is about to write, how much disk and memory they take, and whether the disk has room.

Windows are known to the frame by then; what is not (how well FLAC packs a drum, which files repair will double) is
estimated from above.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from oneshot.audio.io import READ, is_float, kept_reads
from oneshot.config.recipe import Finishing, Recipe
from oneshot.core.errors import WorkError
from oneshot.core.records.session import Take

HEADER_BYTES = 1500
"""Of a sound file with its tags."""
WIDTHS = {"16": 2, "24": 3, "32 float": 4}
"""``files.bits`` -> bytes of a sample."""
MAPPED_BYTES = 6
"""A frame in the SoundFont: two sides of 24 bits."""
KEPT_BYTES = 64_000_000
"""Of samples read while windows are planned that are kept for cutting; what is more is read twice."""
COPIES = 6
"""Float64 copies of the largest file that levels and fades hold at once."""
HELD = 3
"""Times that all mics of a one-shot are held at once, as float64 at most: as read, as cut, as whoever reads the files
gets them.
"""
LOOK_S = 12.0
SPARE = 1.05


@dataclass(frozen=True, slots=True)
class Shape:
    """A one-shot about to be cut: of which take, the channels of each of its files, and their length in take frames."""

    take: Take
    channels: tuple[int, ...]
    frames: int


@dataclass(frozen=True, slots=True)
class Needs:
    """What a build will write (its one-shots, their files, bytes of everything) and the memory that cutting takes."""

    one_shots: int
    files: int
    size_bytes: int
    memory_bytes: int

    def text(self) -> str:
        """In one line."""
        return (f"cutting {self.one_shots:,} one-shots into {self.files:,} files: about {_mb(self.size_bytes)} with "
                f"the mappings, {_mb(self.memory_bytes)} of memory")


def needs_of(shapes: Sequence[Shape], recipe: Recipe) -> Needs:
    """What those one-shots will need, and the recipe's prints with them."""
    lite = recipe.files.lite
    doubled = 2 if recipe.repair.any and not lite else 1
    size, files, largest, kept = 0.0, 0, 0.0, 0
    for shape in shapes:
        rate = _rate(shape.take, recipe.files)
        frames, written = shape.frames * rate / shape.take.sample_rate, (2,) if lite else shape.channels
        size += doubled * sum(frames * count * _width(shape.take, recipe.files) + HEADER_BYTES
                              for count in written) + frames * MAPPED_BYTES
        files += doubled * len(written)
        window = max(HELD * round(frames), round(LOOK_S * shape.take.sample_rate)) * sum(shape.channels) * 8
        kept += shape.frames * sum(shape.channels) * 4
        blocks = kept_reads(len(shape.take.mics), 4) * READ * 4 * len(shape.take.mics)
        largest = max(largest, window + blocks + COPIES * 8 * frames * max(shape.channels, default=0))
    size += _prints(recipe, [shape.take for shape in shapes])
    return Needs(len(shapes), files, round(size), round(largest) + min(kept, KEPT_BYTES))


def check_room(folder: Path, needs: Needs) -> None:
    """Raise WorkError where the disk that ``folder`` lies on has too little room left."""
    free = shutil.disk_usage(folder).free
    if needs.size_bytes * SPARE > free:
        raise WorkError(f"{folder.parent}: the kit needs about {_mb(needs.size_bytes)} and {_mb(free)} are free there: "
                        "free some space or choose another place")


def _prints(recipe: Recipe, takes: Iterable[Take]) -> float:
    """Bytes of the recipe's prints, at most."""
    widest = max((_rate(take, recipe.files) * _width(take, recipe.files) for take in takes), default=0.0)
    return sum(each.candidates * (recipe.choose.layers if each.per_layer else 1) * each.longest_ms / 1000
               * (2 if each.stereo else 1) * widest for each in recipe.prints)


def _rate(take: Take, asked: Finishing) -> int:
    return asked.rate or take.sample_rate


def _width(take: Take, asked: Finishing) -> int:
    """Bytes of a sample; FLAC is never larger than what it packs."""
    if asked.bits in WIDTHS:
        return WIDTHS[asked.bits]
    return 8 if take.subtype == "DOUBLE" else 4 if is_float(take.subtype) else int(take.subtype[-2:]) // 8


def _mb(size_bytes: float) -> str:
    return f"{max(size_bytes / 1e6, 0.1):,.1f} MB" if size_bytes < 1e7 else f"{size_bytes / 1e6:,.0f} MB"
