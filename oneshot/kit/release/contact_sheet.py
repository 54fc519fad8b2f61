"""The contact sheet of a kit: every drum's velocity layers as small waveforms, in one picture.

A row an articulation, a column a layer from soft to hard, the first round robin of each, its mix by the balance. All
waveforms of a row share one scale, so that soft looks soft.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from oneshot.core.records.kit import Kit, kit_info
from oneshot.core.records.session import Floats
from oneshot.core.text import counted
from oneshot.cutting.mix import mixdown
from oneshot.kit.playback import keymap
from oneshot.kit.playback.keymap import Key
from oneshot.kit.release.cover import ACCENT, GROUND, INK, SOFT
from oneshot.kit.release.lettering import drawable

CELL, LABEL, MARGIN, HEAD = (120, 64), 190, 24, 60
SHOWN_S = 0.6


def contact_sheet(kit: Kit, folder: Path) -> bytes:
    """The sheet as PNG, the same bytes for the same kit. Raises AudioError where a file of the kit cannot be read."""
    keys = keymap.keys_of(kit, keymap.mix_levels(kit))
    columns = max((len(key.layers) for key in keys), default=1)
    size = (2 * MARGIN + LABEL + columns * CELL[0], 2 * MARGIN + HEAD + max(len(keys), 1) * CELL[1])
    image = Image.new("RGB", size, GROUND)
    draw = ImageDraw.Draw(image)
    big, small = ImageFont.load_default(22), ImageFont.load_default(13)
    draw.text((MARGIN, MARGIN - 4), drawable(str(kit_info(kit)["name"])), font=big, fill=INK)
    there = counted(len({shot.drum for shot in kit.one_shots}), "drum")
    draw.text((MARGIN, MARGIN + 26), f"{there}, {counted(len(kit.one_shots), 'one-shot')}; soft to hard, first "
                                     f"{SHOWN_S:g} s of each layer", font=small, fill=SOFT)
    for row, key in enumerate(keys):
        top = MARGIN + HEAD + row * CELL[1]
        draw.text((MARGIN, top + 14), drawable(key.drum.name) or key.drum.kind, font=small, fill=INK)
        draw.text((MARGIN, top + 32), drawable(f"{key.articulation}, key {key.key}"), font=small, fill=SOFT)
        _row(draw, kit, folder, key, top)
    out = io.BytesIO()
    image.save(out, "PNG", optimize=False)
    return out.getvalue()


def _row(draw: ImageDraw.ImageDraw, kit: Kit, folder: Path, key: Key, top: int) -> None:
    """The layers of one key."""
    waves = [_wave(kit, folder, layer.alternates[0].hit, key) for layer in key.layers]
    loudest = max((float(np.abs(wave).max()) for wave in waves), default=0.0) or 1.0
    for column, wave in enumerate(waves):
        left, middle = MARGIN + LABEL + column * CELL[0], top + CELL[1] // 2
        half = (CELL[1] - 14) / 2
        for x, (low, high) in enumerate(wave / loudest):
            draw.line((left + x, middle - high * half, left + x, middle - low * half), fill=ACCENT)


def _wave(kit: Kit, folder: Path, hit: int, key: Key) -> Floats:
    """Lowest and highest sample of each column of a cell, (columns, 2)."""
    shot = next(shot for layer in key.layers for shot in layer.alternates if shot.hit == hit)
    rate = kit.session.take(next(each.take for each in kit.hits if each.id == hit)).sample_rate
    x, _ = mixdown.stereo(folder, shot, kit.balance, round(SHOWN_S * rate))
    mono = x.mean(axis=0)
    columns = CELL[0] - 12
    mono = np.pad(mono, (0, max(0, round(SHOWN_S * rate) - len(mono))))
    parts: Sequence[Floats] = np.array_split(mono, columns)
    return np.array([(float(part.min(initial=0.0)), float(part.max(initial=0.0))) for part in parts])
