"""The cover of a pack: the owner's own picture, or one drawn from the kit.

The drawn one hangs a drop for each drum from one line: time runs down, width is how loud the drum is then, and the
velocity layers lie in each other, the hardest outermost. The drum with the most one-shots has the one colour.
"""

from __future__ import annotations

import io
from collections import Counter
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, ImageFont, ImageOps, UnidentifiedImageError

from oneshot.core.errors import SettingsError
from oneshot.core.files import inside
from oneshot.core.records.kit import Kit, OneShot, Print, kit_info
from oneshot.core.records.session import Floats
from oneshot.kit.release.drawn_rows import Row, amount, rows_of, sound_of
from oneshot.kit.release.lettering import drawable, loses_all

SIDE = 1200
"""Pixels of the drawn cover."""
SIDES, MOST_BYTES = (300, 6000), 20_000_000
"""Pixels that a side of the owner's picture may have, and bytes of its file."""
FORMATS = {"PNG": "cover.png", "JPEG": "cover.jpg"}
GROUND, INK, SOFT, ACCENT = (214, 213, 211), (44, 44, 43), (110, 109, 107), (163, 74, 40)
SHOWN_S, STEPS, SMOOTH = 0.7, 160, 15
"""Seconds shown, in so many steps, each drawn as the mean of so many."""
MOST_DROPS = 12
FINER = 2
"""Times that the picture is drawn larger before it is scaled down, for smooth edges."""


def cover(kit: Kit, folder: Path, own: str) -> tuple[str, bytes]:
    """Name and bytes of the cover; the same for the same kit. ``own``: path of the owner's picture from the kit's
    folder, empty for the drawn one.

    Raises SettingsError where the picture cannot be used, AudioError where a file of the kit cannot be read.
    """
    return own_cover(folder, own) if own else (FORMATS["PNG"], drawn_cover(kit, folder))


def check_cover(kit: Kit, folder: Path, own: str) -> str:
    """What to tell of the cover before it is made; empty: nothing. Raises SettingsError where the owner's picture
    cannot be used.
    """
    if own:
        own_cover(folder, own)
    elif loses_all(name := str(kit_info(kit)["name"])):
        return f"the drawn cover cannot show the name {name!r}: put a picture of your own into the kit, pack.cover"
    return ""


# ------------------------------------------------------------------------------------------------------ the owner's own


def own_cover(folder: Path, name: str) -> tuple[str, bytes]:
    """The owner's picture, turned as its camera says, without anything else that its file tells, such as a place."""
    path, where = inside(folder, name), f"pack.cover {name!r}"
    if path is None or not path.is_file() or path != folder.resolve() / name:  # no link is followed
        raise SettingsError(f"{where}: no such picture in {folder}: put it there, or leave pack.cover empty to have "
                            "one drawn")
    if path.stat().st_size > MOST_BYTES:
        raise SettingsError(f"{where}: has {path.stat().st_size / 1e6:.0f} MB, {MOST_BYTES / 1e6:.0f} are the most: "
                            "save it smaller")
    try:
        with Image.open(path, formats=list(FORMATS)) as image:
            kind, (low, high) = str(image.format), SIDES
            if not all(low <= side <= high for side in image.size):
                raise SettingsError(f"{where}: is {image.width} x {image.height} pixels: give {low} to {high} each way")
            return FORMATS[kind], _bare(image, kind)
    except (OSError, SyntaxError, ValueError, UnidentifiedImageError, Image.DecompressionBombError):
        raise SettingsError(f"{where}: cannot be read as a PNG or JPEG picture: save it again as one") from None


def _bare(image: Image.Image, kind: str) -> bytes:
    """A picture's pixels and colour profile alone, as a file."""
    turned = ImageOps.exif_transpose(image)
    profile = image.info.get("icc_profile") if image.mode == "RGB" else None
    if turned.mode in ("RGBA", "LA", "PA") or "transparency" in turned.info:
        ground = Image.new("RGBA", turned.size, (*GROUND, 255))
        turned = Image.alpha_composite(ground, turned.convert("RGBA"))
    pixels = turned.convert("RGB")
    plain = Image.frombytes("RGB", pixels.size, pixels.tobytes())
    out = io.BytesIO()
    plain.save(out, kind, icc_profile=profile, **({"quality": 92} if kind == "JPEG" else {}))
    return out.getvalue()


# -------------------------------------------------------------------------------------------------------------- drawn


def drawn_cover(kit: Kit, folder: Path) -> bytes:
    """A picture of the kit as PNG, the same bytes for the same kit. Raises AudioError where a file cannot be read."""
    size = SIDE * FINER
    image = Image.new("RGB", (size, size), GROUND)
    draw = ImageDraw.Draw(image)
    edge, top, low = size // 12, size // 8, round(size * 0.70)
    every: tuple[OneShot | Print, ...] = kit.prints if kit.prints_alone else kit.one_shots
    counts = Counter(each.drum for each in every)
    rows = _one_each(rows_of(kit))
    draw.line((edge, top, size - edge, top), fill=INK, width=size // 300)
    most = max((counts[row.drum.name] for row in rows), default=0)
    chosen = next((row for row in rows if counts[row.drum.name] == most), None)
    pitch = (size - 2 * edge) / max(len(rows), 1)
    for number, row in enumerate(rows):
        middle = edge + (number + 0.5) * pitch
        _drop(draw, _ladder(kit, folder, row), (middle, float(top)), (min(pitch * 0.46, size / 10), float(low - top)),
              ACCENT if row is chosen else INK)
    info = kit_info(kit)
    big = _name(draw, drawable(str(info["name"])), (edge, round(size * 0.76)), size - 2 * edge)
    words = [author] if (author := drawable(str(info["author"] or ""))) else []
    words += [amount(kit)]
    small = ImageFont.load_default(size // 38)
    draw.text((edge, big + size // 60), _fitting(draw, ", ".join(words), small, size - 2 * edge), font=small, fill=SOFT)
    out = io.BytesIO()
    image.resize((SIDE, SIDE), Image.Resampling.LANCZOS).save(out, "PNG", optimize=False)
    return out.getvalue()


def _one_each(rows: list[Row]) -> list[Row]:
    """One row for each drum, the one with the most in it, of equals the first; no more than there is room for."""
    best: dict[str, Row] = {}
    for row in rows:
        held = best.get(row.drum.name)
        if held is None or row.count > held.count:
            best[row.drum.name] = row
    return list(best.values())[:MOST_DROPS]


def _ladder(kit: Kit, folder: Path, row: Row) -> list[Floats]:
    """Levels over time of each layer's sound, hardest first; 1 is the loudest moment of the hardest."""
    every = [_levels(kit, folder, one) for one in reversed(row.layers)]
    loudest = max((float(each.max()) for each in every), default=0.0) or 1.0
    return [each / loudest for each in every]


def _levels(kit: Kit, folder: Path, one: OneShot | Print) -> Floats:
    """The rms of a sound from its attack on, in steps that grow with time: early ones tell the most."""
    x, rate, attack = sound_of(kit, folder, one, SHOWN_S)
    frames = round(SHOWN_S * rate)
    power = np.concatenate([[0.0], np.cumsum((x[:, attack:] ** 2).sum(axis=0))])
    ends = np.round(frames * (np.arange(STEPS + 1) / STEPS) ** 2).astype(int)
    ends = np.maximum.accumulate(np.maximum(ends, np.arange(STEPS + 1)))
    at = np.minimum(ends, len(power) - 1)
    out: Floats = np.sqrt(np.diff(power[at]) / np.diff(ends))
    return out


def _drop(draw: ImageDraw.ImageDraw, ladder: list[Floats], at: tuple[float, float], room: tuple[float, float],
          colour: tuple[int, int, int]) -> None:
    """Layers in each other, hanging from ``at`` (middle, top) in ``room`` (half width, height)."""
    (middle, top), (half, height) = at, room
    for number, levels in enumerate(ladder):
        share = number / len(ladder)
        fill = tuple(round(part + (ground - part) * 0.8 * share) for part, ground in zip(colour, GROUND, strict=True))
        smooth = np.convolve(np.pad(levels, SMOOTH // 2, mode="edge"), np.full(SMOOTH, 1 / SMOOTH), mode="valid")
        down = np.arange(STEPS) / STEPS
        # the root shows tails, which are far below the attack; what rings longer than is shown still ends in a point
        widths = half * np.sqrt(np.minimum(smooth, 1.0) * (1 - down**3))
        down = top + height * down
        right = [(middle + w, y) for w, y in zip(widths, down, strict=True)]
        left = [(middle - w, y) for w, y in zip(widths, down, strict=True)]
        draw.polygon([*right, (middle, top + height), *reversed(left)], fill=fill)


def _name(draw: ImageDraw.ImageDraw, name: str, at: tuple[int, int], width: int) -> int:
    """The kit's name as large as it fits on a line; where the text ends, in pixels from the top."""
    points = SIDE * FINER // 11
    least = points // 3
    while points > least and draw.textlength(name, ImageFont.load_default(points)) > width:
        points -= 4
    font = ImageFont.load_default(points)
    draw.text(at, _fitting(draw, name, font, width), font=font, fill=INK)
    return at[1] + round(points * 1.25)


def _fitting(draw: ImageDraw.ImageDraw, text: str, font: ImageFont.FreeTypeFont | ImageFont.ImageFont,
             width: int) -> str:
    """A text on one line, its end cut off where it is too long."""
    text = " ".join(text.split())
    if draw.textlength(text, font) <= width:
        return text
    while text and draw.textlength(f"{text} ...", font) > width:
        text = text[:-1]
    return f"{text.rstrip()} ..."
