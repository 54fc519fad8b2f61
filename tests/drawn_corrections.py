"""Corrections drawn at random for a small kit: what its owner may write, and what somebody may write by mistake."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

from hypothesis import strategies as st

from oneshot.config.corrections_file import _LIMITS, _WHOLE, FORMAT, KINDS, VERSION
from oneshot.core.errors import OneshotError
from oneshot.core.records.hits import Hit

Row = dict[str, Any]

NEW_NAMES = ("cowbell", "snare", "kick", "rim", "centre", "hit", "Big Kick", "Überkopf", "CON", "a" * 60, "x/y", "..",
             "hi-hat", "1")
"""What things may be called anew: names of other things of the kit, and of none."""

MISTAKES: tuple[Any, ...] = ("", " ", 0, -1, 1.5, True, [], {}, ["snare"], "no such thing", 10**19, float("nan"),
                             float("inf"), "two\nlines", [[1]], [{"take": "jetty", "frame": -1}])
"""Values of every type, which most keys do not take."""


def check_told(error: OneshotError) -> None:
    """Fails where what a user is told is more than a line, or cannot be written."""
    assert 1 == len(str(error).splitlines())
    str(error).encode("utf-8")


def toml_value(value: object) -> str:
    """A value as TOML writes it in one line."""
    match value:
        case bool():
            return str(value).lower()
        case float():
            return {"inf": "inf", "-inf": "-inf", "nan": "nan"}.get(repr(value), repr(value))
        case Mapping():
            return "{ " + ", ".join(f"{key} = {toml_value(each)}" for key, each in value.items()) + " }"
        case list() | tuple():
            return "[" + ", ".join(map(toml_value, value)) + "]"
        case _:
            return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def toml_of(rows: Sequence[tuple[str, Row]]) -> str:
    """The text of a corrections.toml with those entries: (kind, keys and values)."""
    entries = ("".join([f"\n[[{kind}]]\n", *(f"{key} = {toml_value(value)}\n" for key, value in row.items())])
               for kind, row in rows)
    return f'format = "{FORMAT}"\nversion = {VERSION}\n' + "".join(entries)


def places(hits: Sequence[Hit]) -> st.SearchStrategy[Row]:
    """A place in a take: that of a hit, one beside it, one where nothing was played, or none there is."""
    frames = st.builds(lambda onset, off: max(0, onset + off), st.sampled_from([hit.onset for hit in hits]),
                       st.sampled_from([0, 0, 0, 0, 0, 3, -40, 2_000, -12_000]))
    anywhere = st.integers(0, hits[-1].onset * 2) | st.sampled_from([0, 2**62 - 1])
    there = st.fixed_dictionaries({"take": st.just(hits[0].take), "frame": frames | frames | frames | anywhere})
    return st.one_of(there, there, there, there, st.just({"take": "another", "frame": 1_000}))


@st.composite
def entry(draw: st.DrawFn, hits: Sequence[Hit], mics: Sequence[str]) -> tuple[str, Row]:
    """An entry of any kind that its form allows; names of drums, articulations and mics are mostly of the kit."""
    kind = draw(st.sampled_from(list(KINDS)))
    form = KINDS[kind]
    drums = st.sampled_from(sorted({hit.drum for hit in hits}) * 3 + ["cowbell", "gong"])
    ways = st.sampled_from(sorted({hit.articulation for hit in hits}) * 3 + ["rim", "edge"])
    pools: dict[str, st.SearchStrategy[Any]] = {
        "drum": drums, "articulation": ways, "to": drums | st.sampled_from(NEW_NAMES),
        "to_articulation": ways | st.sampled_from(NEW_NAMES), "drums": st.lists(drums, min_size=1, max_size=3),
        "articulations": st.lists(ways, min_size=1, max_size=3),
        "mics": st.lists(st.sampled_from([*mics, "none"]), min_size=1, max_size=len(mics)),
        "hits": st.lists(places(hits), min_size=1, max_size=5, unique_by=lambda place: (place["take"], place["frame"]))}
    for key, (low, high) in _LIMITS.items():
        ends = st.sampled_from([low, high, low + (high - low) / 100])
        near = st.floats(max(low, -5), min(high, 50))
        pools[key] = (ends | near).map(int) if key in _WHOLE else ends | near
    pools["layer"] = st.sampled_from([1, 1, 2, 2, 3, 4, 5, 99])
    keys = list(form.needs) + [key for key in form.may if draw(st.booleans())]
    if form.one_of:
        keys += [draw(st.sampled_from(form.one_of))] if form.just_one \
            else draw(st.lists(st.sampled_from(form.one_of), min_size=1, unique=True))
    if kind == "merge":
        keys = ["to", "drums"] if "drums" in keys else ["to", "drum", "articulations"]
    row: Row = {key: draw(pools[key]) for key in keys}
    if form.whom == "hits" or (form.whom == "either" and draw(st.booleans())):
        if form.single or draw(st.booleans()):
            row |= draw(places(hits))
        else:
            row["hits"] = draw(pools["hits"])
    elif form.whom == "either":
        row["drum"] = draw(drums)
        row |= {key: draw(pools[key]) for key in ("articulation", *(("layer",) if form.layers else ()))
                if draw(st.booleans())}
    return kind, row


@st.composite
def mistaken(draw: st.DrawFn, hits: Sequence[Hit], mics: Sequence[str]) -> tuple[str, Row]:
    """An entry with one thing wrong: a key too many or too few, or a value of another type or beyond its range."""
    kind, row = draw(entry(hits, mics))
    way = draw(st.sampled_from(["value", "more", "less", "kind"]))
    if way == "value":
        row[draw(st.sampled_from(sorted(row)))] = draw(st.sampled_from(MISTAKES))
    elif way == "more":
        row[draw(st.sampled_from([*_LIMITS, "drum", "to", "mics", "note", "hits", "colour"]))] = draw(
            st.sampled_from(MISTAKES))
    elif way == "less":
        del row[draw(st.sampled_from(sorted(row)))]
    else:
        kind = draw(st.sampled_from([*KINDS, "forget"]))
    return kind, row


def texts(hits: Sequence[Hit], mics: Sequence[str]) -> st.SearchStrategy[str]:
    """The text of a corrections.toml, valid in most draws."""
    valid = st.lists(entry(hits, mics), min_size=1, max_size=6)
    nearly = st.builds(lambda rows, bad, at: [*rows[:at], bad, *rows[at:]], valid, mistaken(hits, mics),
                       st.integers(0, 6))
    return st.one_of(valid, valid, valid, valid, valid, nearly).map(toml_of)
