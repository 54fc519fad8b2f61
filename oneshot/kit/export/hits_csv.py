"""hits.csv: one line per hit, for a spreadsheet. UTF-8, comma-separated, one header line, after RFC 4180."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from pathlib import Path

from oneshot.core.files import write_atomic
from oneshot.core.records.hits import Hit
from oneshot.core.records.kit import Kit
from oneshot.core.text import one_line
from oneshot.kit.export.manifest import rounded

NAME = "hits.csv"
COLUMNS = ("id", "take", "onset", "onset_s", "drum", "articulation", "layer", "round_robin", "level_db", "confidence",
           "home", "home_bleed_db", "isolated", "usable", "with", "ornament", "kept", "fallback", "reason",
           "hand", "wires", "tool", "strength", "told_by")


def write(kit: Kit, folder: Path) -> list[Path]:
    """hits.csv into the kit's folder; its path."""
    path = folder / NAME
    write_atomic(path, to_csv(kit))
    return [path]


def to_csv(kit: Kit) -> str:
    """The table as text: the kit's hits in their order, lists inside a cell joined by "; ", what is unknown empty."""
    rates = {take.name: take.sample_rate for take in kit.session.takes}
    homes = {drum.name: drum.home for drum in kit.drums}
    robins = {shot.hit: shot.round_robin for shot in kit.one_shots}
    out = io.StringIO(newline="")
    table = csv.writer(out, lineterminator="\r\n")
    table.writerow(COLUMNS)
    for hit in kit.hits:
        row = _row(hit, rates[hit.take], homes.get(hit.drum), robins.get(hit.id))
        table.writerow([cell(row[column]) for column in COLUMNS])
    return out.getvalue()


def _row(hit: Hit, sample_rate: int, home: str | None, round_robin: int | None) -> Mapping[str, object]:
    return {
        "id": hit.id, "take": hit.take, "onset": hit.onset, "onset_s": f"{hit.onset / sample_rate:.4f}",
        "drum": hit.drum, "articulation": hit.articulation, "layer": hit.layer, "round_robin": round_robin,
        "level_db": rounded(hit.level_db), "confidence": rounded(hit.confidence, 3), "home": home,
        "home_bleed_db": rounded(hit.bleed_db.get(home)) if home else None, "isolated": hit.isolated,
        "usable": "; ".join(hit.usable), "with": "; ".join(other.drum for other in hit.partners),
        "ornament": f"{hit.ornament.kind} {hit.ornament.id}" if hit.ornament else None,
        "kept": hit.kept, "fallback": hit.fallback, "reason": hit.reason, "hand": hit.hand,
        "wires": hit.wires, "tool": hit.tool, "strength": hit.strength, "told_by": hit.told_by}


def cell(value: object) -> object:
    """A cell as text on one line; yes and no for truth values. A text that a spreadsheet would run as a formula gets a
    quote.
    """
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        return one_line("'" + value if value[:1] in {"=", "+", "@"} else value)
    return "" if value is None else value
