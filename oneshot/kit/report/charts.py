"""The page's small charts as inline SVG: what a key plays over velocity, and a drum's pitch over the session.

Both say in words what they show, for those who do not see them; the figures themselves are in manifest.json.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from itertools import pairwise
from statistics import median

from oneshot.core.errors import KitError
from oneshot.core.records.hits import Hit
from oneshot.core.records.kit import OneShot
from oneshot.core.records.session import Take
from oneshot.kit.playback.keymap import Levels, layers_of
from oneshot.kit.report.markup import Markup, figure, tag

WIDE, HIGH = 320.0, 112.0
LEFT, BELOW = 34.0, 18.0
"""Room for the figures of the axes, in the drawing's own units."""
DRIFT_CENTS = 20.0
"""Beyond this a drift of pitch is heard and told."""
FEWEST_PITCHES = 3


def velocity_chart(shots: Sequence[OneShot], levels: Levels) -> Markup | None:
    """What a key plays from velocity 1 to 127: the level wanted as a line, each alternate as recorded as a dot.

    ``levels``: hit -> level of its balanced sum (dB). None where the layers leave velocities without a sound.
    """
    try:
        layers = layers_of(shots, levels) if shots else ()
    except KitError:
        return None
    wanted = [(velocity, level) for layer in layers for velocity, level in sorted(layer.wanted_db.items())]
    if not wanted:
        return None
    heard = [level for layer in layers for level in layer.own_db.values()] + [level for _, level in wanted]
    low, high = 6 * math.floor(min(heard) / 6), 6 * math.ceil(max(heard) / 6 + 1e-9)
    line = "M" + "L".join(f"{_across(v, 1, 127)} {_up(level, low, high)}" for v, level in wanted)
    borders = " ".join(f"M{_across((a.high + b.low) / 2, 1, 127)} 0V{HIGH:g}" for a, b in pairwise(layers))
    middles = {layer.number: 127 if layer is layers[-1] else (layer.low + layer.high) / 2 for layer in layers}
    dots = [tag("circle", cx=_across(middles[layer.number], 1, 127), cy=_up(level, low, high), r="2.6")
            for layer in layers for level in layer.own_db.values()]
    step = 6 if high - low <= 24 else 12
    said = (f"Level over velocity: from {figure(wanted[0][1])} dB at 1 to {figure(wanted[-1][1])} dB at 127, "
            f"{len(layers)} {'layer' if len(layers) == 1 else 'layers'}, {len(dots)} round robins")
    return _figure(said, "Level over velocity, dB",
                   [tag("path", d=borders, class_="borders"), tag("path", d=line, class_="wanted"), dots],
                   levels=list(range(low, high + 1, step)), span=(low, high),
                   ticks=[(_across(v, 1, 127), str(v)) for v in (1, 32, 64, 96, 127)])


def pitch_chart(shots: Sequence[OneShot], hits: Mapping[int, Hit], takes: Sequence[Take]) -> Markup | None:
    """A drum's fundamental over the session, cents from its median, takes laid end to end.

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
    dots = [tag("circle", cx=_across(at, 0, total), cy=_up(value, -reach, reach), r="2.6") for at, value in cents]
    said = (f"Pitch over the session: median {figure(middle)} Hz, from {figure(min(v for _, v in cents), digits=0)} to "
            f"{figure(max(v for _, v in cents), digits=0)} cents, {len(dots)} one-shots")
    return _figure(said, f"Pitch over the session, cents from {figure(middle)}\u202fHz",
                   [tag("path", d=borders, class_="borders"), tag("path", d=limits, class_="limits"), dots],
                   levels=[-reach, 0, reach], span=(-reach, reach),
                   ticks=[(_across(t, 0, total), _clock(t)) for t in (0.0, total / 2, total)])


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


def _clock(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes}:{rest:02d}"
