"""The contact sheet of a kit: every drum's velocity layers as small waveforms, in one picture.

A row an articulation, a column a layer from soft to hard, the first round robin of each, its mix by the balance; or the
best print of each. All waveforms of a row share one scale, so that soft looks soft.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from oneshot.core.records.kit import Kit, OneShot, Print, kit_info
from oneshot.core.records.session import Floats
from oneshot.kit.release.cover import ACCENT, GROUND, INK, SOFT
from oneshot.kit.release.drawn_rows import Row, amount, rows_of, sound_of
from oneshot.kit.release.lettering import drawable

CELL, LABEL, MARGIN, HEAD = (120, 64), 190, 24, 60
SHOWN_S = 0.6


def contact_sheet(kit: Kit, folder: Path) -> bytes:
    """The sheet as PNG, the same bytes for the same kit. Raises AudioError where a file of the kit cannot be read."""
    rows = rows_of(kit)
    columns = max((len(row.layers) for row in rows), default=1)
    size = (2 * MARGIN + LABEL + columns * CELL[0], 2 * MARGIN + HEAD + max(len(rows), 1) * CELL[1])
    image = Image.new("RGB", size, GROUND)
    draw = ImageDraw.Draw(image)
    big, small = ImageFont.load_default(22), ImageFont.load_default(13)
    draw.text((MARGIN, MARGIN - 4), drawable(str(kit_info(kit)["name"])), font=big, fill=INK)
    draw.text((MARGIN, MARGIN + 26), f"{amount(kit)}; soft to hard, first {SHOWN_S:g} s of each layer", font=small,
              fill=SOFT)
    for number, row in enumerate(rows):
        top = MARGIN + HEAD + number * CELL[1]
        draw.text((MARGIN, top + 14), drawable(row.drum.name) or row.drum.kind, font=small, fill=INK)
        draw.text((MARGIN, top + 32), drawable(row.called), font=small, fill=SOFT)
        _row(draw, kit, folder, row, top)
    out = io.BytesIO()
    image.save(out, "PNG", optimize=False)
    return out.getvalue()


def _row(draw: ImageDraw.ImageDraw, kit: Kit, folder: Path, row: Row, top: int) -> None:
    """The layers of one row."""
    waves = [_wave(kit, folder, one) for one in row.layers]
    loudest = max((float(np.abs(wave).max()) for wave in waves), default=0.0) or 1.0
    for column, wave in enumerate(waves):
        left, middle = MARGIN + LABEL + column * CELL[0], top + CELL[1] // 2
        half = (CELL[1] - 14) / 2
        for x, (low, high) in enumerate(wave / loudest):
            draw.line((left + x, middle - high * half, left + x, middle - low * half), fill=ACCENT)


def _wave(kit: Kit, folder: Path, one: OneShot | Print) -> Floats:
    """Lowest and highest sample of each column of a cell, (columns, 2)."""
    x, rate, _ = sound_of(kit, folder, one, SHOWN_S)
    mono = x[:, :round(SHOWN_S * rate)].mean(axis=0)
    columns = CELL[0] - 12
    mono = np.pad(mono, (0, max(0, round(SHOWN_S * rate) - len(mono))))
    parts: Sequence[Floats] = np.array_split(mono, columns)
    return np.array([(float(part.min(initial=0.0)), float(part.max(initial=0.0))) for part in parts])
