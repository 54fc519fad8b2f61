"""A drum's pitch over the session as inline SVG.

It says in words what it shows, for those who do not see it; the figures themselves are in manifest.json.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from statistics import median

from oneshot.core.records.hits import Hit
from oneshot.core.records.kit import OneShot
from oneshot.core.records.session import Take
from oneshot.kit.report.markup import Markup, figure, tag
from oneshot.kit.report.text import duration

WIDE, HIGH = 320.0, 112.0
LEFT, BELOW = 34.0, 18.0
"""Room for the figures of the axes, in the drawing's own units."""
DRIFT_CENTS = 20.0
"""Beyond this a drift of pitch is heard and told."""
FEWEST_PITCHES = 3


def pitch_chart(name: str, shots: Sequence[OneShot], hits: Mapping[int, Hit], takes: Sequence[Take]) -> Markup | None:
    """The fundamental of what is called ``name`` over the session, cents from its median, takes laid end to end.

    None where fewer than three one-shots have one, or all lie further apart than two octaves (no single pitch then).
    """
    begins, total = {}, 0.0
    for take in takes:
        begins[take.name] = total
        total += take.frames / take.sample_rate
    rates = {take.name: take.sample_rate for take in takes}
    heard = sorted((begins[hits[s.hit].take] + hits[s.hit].onset / rates[hits[s.hit].take], s.fundamental_hz)
                   for s in shots if s.fundamental_hz is not None)
    if len(heard) < FEWEST_PITCHES:
        return None
    middle = median(hz for _, hz in heard)
    cents = [(at, 1200 * math.log2(hz / middle)) for at, hz in heard]
    widest = max(abs(value) for _, value in cents)
    if widest > 2400:
        return None
    reach = next((r for r in (50, 100, 200, 600, 1200) if widest <= r), 2400)
    limits = " ".join(f"M{LEFT:g} {_up(edge, -reach, reach)}H{WIDE:g}" for edge in (-DRIFT_CENTS, DRIFT_CENTS))
    borders = " ".join(f"M{_across(begins[take.name], 0, total)} 0V{HIGH:g}" for take in takes[1:])
    dots = " ".join(f"M{_across(at, 0, total)} {_up(value, -reach, reach)}h0" for at, value in cents)
    said = (f"{name}: median {figure(middle)} Hz, from {figure(min(v for _, v in cents), digits=0)} to "
            f"{figure(max(v for _, v in cents), digits=0)} cents, {len(cents)} one-shots")
    return _figure(said, f"{name}, cents from {figure(middle, 'Hz')}",
                   [tag("path", d=path, class_=what) for what, path in
                    (("borders", borders), ("limits", limits), ("dots", dots))],
                   levels=[-reach, 0, reach], span=(-reach, reach),
                   ticks=[(_across(t, 0, total), duration(t)) for t in (0.0, total / 2, total)])


def _figure(said: str, title: str, marks: list[object], *, levels: Sequence[int], span: tuple[int, int],
            ticks: Sequence[tuple[str, str]]) -> Markup:
    """A chart with its title, lines and figures."""
    lines = " ".join(f"M{LEFT:g} {_up(level, *span)}H{WIDE:g}" for level in levels)
    texts = [tag("text", figure(level, digits=0), x=f"{LEFT - 5:g}", y=f"{float(_up(level, *span)) + 3:.1f}",
                 text_anchor="end") for level in levels]
    last = len(ticks) - 1
    texts += [tag("text", text, x=x, y=f"{HIGH + 13:g}", text_anchor={0: "start", last: "end"}.get(i, "middle"))
              for i, (x, text) in enumerate(ticks)]
    drawing = tag("svg", tag("path", d=lines, class_="lines"), *marks, texts,  # type: ignore[arg-type]
                  viewBox=f"0 -4 {WIDE:g} {HIGH + BELOW + 4:g}", role="img", aria_label=said)
    return tag("figure", tag("figcaption", title), drawing, class_="chart")


def _across(value: float, first: float, last: float) -> str:
    return f"{LEFT + (value - first) / max(last - first, 1e-9) * (WIDE - LEFT):.1f}"


def _up(value: float, low: float, high: float) -> str:
    return f"{HIGH - (value - low) / max(high - low, 1e-9) * HIGH:.1f}"
