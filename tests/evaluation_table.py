"""The evaluation's rows as text: aligned for a terminal, or as Markdown for a page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import fmean
from typing import Protocol


class Line(Protocol):
    """What is shown of a take."""

    @property
    def name(self) -> str:
        """Session and take."""

    @property
    def values(self) -> Mapping[str, float | None]:
        """Key of a column -> figure; None where it could not be measured."""

    @property
    def setting(self) -> str:
        """The setting at which librosa did best."""


@dataclass(frozen=True, slots=True)
class Column:
    """A figure: its key, its heading in two lines, its digits, and whether more of it is better (None: neither)."""

    key: str
    head: tuple[str, str]
    digits: int
    more: bool | None


COLUMNS = (
    Column("hits", ("", "hits"), 0, None),
    Column("detect_f1", ("detect", "F1"), 3, True),
    Column("strokes_f1", ("strokes", "F1"), 3, True),
    Column("onsets_given", ("onsets", "given"), 2, True),
    Column("home_med", ("home", "ms"), 2, False),
    Column("home_p95", ("", "p95"), 2, False),
    Column("onset_med", ("onset", "ms"), 2, False),
    Column("onset_p95", ("", "p95"), 2, False),
    Column("delay_med", ("delay", "frames"), 1, False),
    Column("jitter_worst", ("jitter", "worst"), 2, False),
    Column("jitter_med", ("ms", "med"), 2, False),
    Column("judged", ("lone", "hits"), 0, None),
    Column("drum_ari", ("drum", "ARI"), 3, True),
    Column("articulation_v", ("artic.", "V"), 2, True),
    Column("velocity_rho", ("veloc.", "rho"), 2, True),
    Column("bleed_err", ("bleed", "dB off"), 1, False),
    Column("honest", ("grades", "honest"), 2, True),
    Column("clean_precision", ("clean", "prec."), 2, True),
    Column("usable_precision", ("usable", "prec."), 2, True),
    Column("usable_recall", ("", "recall"), 2, True),
    Column("librosa_f1", ("librosa", "F1"), 3, True),
    Column("kmeans_ari", ("k-means", "ARI"), 2, True),
    Column("mixture_ari", ("mixture", "ARI"), 2, True),
)


def aligned(lines: Sequence[Line]) -> str:
    """The table for a terminal, mean and worst below, librosa's best setting at the end of each row."""
    rows = _cells(lines)
    heads = [["", *(c.head[k] for c in COLUMNS)] for k in (0, 1)]
    widths = [max(len(row[k]) for row in [*heads, *rows]) for k in range(len(COLUMNS) + 1)]
    ends = ["", "librosa's best", *(line.setting for line in lines), "", ""]
    out = []
    for row, end in zip([*heads, *rows], ends, strict=True):
        cells = [row[0].ljust(widths[0]), *(cell.rjust(w) for cell, w in zip(row[1:], widths[1:], strict=True))]
        out.append(f"{'  '.join(cells)}  {end}".rstrip())
    out.insert(2, "-" * (sum(widths) + 2 * len(COLUMNS)))
    out.insert(-2, out[2])
    return "\n".join(out)


def markdown(lines: Sequence[Line]) -> str:
    """Two tables: the figures of the kits, and what other tools reach on the same takes."""
    rows = _cells(lines)
    own = [k for k, c in enumerate(COLUMNS, 1) if c.key not in ("librosa_f1", "kmeans_ari", "mixture_ari")]
    beside = [k for k, c in enumerate(COLUMNS, 1) if k not in own or c.key in ("detect_f1", "drum_ari")]
    settings = [line.setting for line in lines] + ["", ""]
    first = _pipes(["take", *(_head(k) for k in own)], [[row[0], *(row[k] for k in own)] for row in rows])
    second = _pipes(["take", *(_head(k) for k in beside), "librosa's best setting"],
                    [[row[0], *(row[k] for k in beside), s] for row, s in zip(rows, settings, strict=True)])
    return f"{first}\n\n{second}\n"


def _head(column: int) -> str:
    return " ".join(COLUMNS[column - 1].head).strip()


def _pipes(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    rule = ["---", *("--:" for _ in head[1:])]
    return "\n".join(f"| {' | '.join(row)} |" for row in [head, rule, *rows])


def _cells(lines: Sequence[Line]) -> list[list[str]]:
    """Every row as text, the mean and the worst of each column last."""
    rows = [[line.name, *(_text(line.values.get(c.key), c) for c in COLUMNS)] for line in lines]
    mean, worst = ["mean"], ["worst"]
    for c in COLUMNS:
        there = [v for v in (line.values.get(c.key) for line in lines) if v is not None]
        mean.append(_text(fmean(there) if there else None, c))
        poorest = None if not there or c.more is None else min(there) if c.more else max(there)
        worst.append(_text(poorest, c) if c.more is not None else "")
    return [*rows, mean, worst]


def _text(value: float | None, column: Column) -> str:
    return "-" if value is None else f"{value:.{column.digits}f}"
