"""Holds a JSON document against the manifest's JSON Schema, so that ``verify`` needs no library for it.

Knows the part of JSON Schema (draft 2020-12) that manifest.schema.json uses, and refuses a schema that uses more. The
tests hold it against a full validator.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from typing import Any

SILENT = frozenset({"$schema", "$defs", "title", "description", "properties"})
"""Keywords that say nothing by themselves; properties are read along with ``required`` and their values."""

TYPES: Mapping[str, Callable[[Any], bool]] = {
    "object": lambda value: isinstance(value, dict),
    "array": lambda value: isinstance(value, list),
    "string": lambda value: isinstance(value, str),
    "boolean": lambda value: isinstance(value, bool),
    "null": lambda value: value is None,
    "number": lambda value: isinstance(value, int | float) and not isinstance(value, bool),
    "integer": lambda value: (isinstance(value, int) and not isinstance(value, bool))
    or (isinstance(value, float) and value.is_integer()),
}


def _same(value: Any, want: Any) -> bool:
    """JSON equality: true is not 1."""
    return isinstance(value, bool) == isinstance(want, bool) and bool(value == want)


number, text, array, mapping = TYPES["number"], TYPES["string"], TYPES["array"], TYPES["object"]

CHECKS: Mapping[str, tuple[Callable[[Any, Any], bool], str]] = {
    "type": (lambda value, want: any(TYPES[name](value) for name in ([want] if isinstance(want, str) else want)),
             "must be of type {}"),
    "const": (_same, "must be {!r}"),
    "enum": (lambda value, want: any(_same(value, each) for each in want), "must be one of {}"),
    "minimum": (lambda value, want: not number(value) or value >= want, "cannot be below {}"),
    "maximum": (lambda value, want: not number(value) or value <= want, "cannot be above {}"),
    "minLength": (lambda value, want: not text(value) or len(value) >= want, "must have {} characters or more"),
    "pattern": (lambda value, want: not text(value) or re.search(want, value) is not None, "must match {}"),
    "minItems": (lambda value, want: not array(value) or len(value) >= want, "must have {} entries or more"),
    "maxItems": (lambda value, want: not array(value) or len(value) <= want, "cannot have more than {} entries"),
}


def faults(document: Any, schema: Mapping[str, Any]) -> list[tuple[str, str]]:
    """(place, what is wrong) of every fault, places like ``hits[3].onset``; empty for a document that fits.

    Raises ValueError where the schema uses a keyword that is not known here.
    """
    return list(_faults(document, schema, schema, ""))


def _faults(value: Any, rule: Mapping[str, Any], root: Mapping[str, Any], place: str) -> Iterator[tuple[str, str]]:
    for keyword, want in rule.items():
        if keyword in CHECKS:
            fits, words = CHECKS[keyword]
            if not fits(value, want):
                yield place, words.format(want)
        elif keyword == "$ref":
            yield from _faults(value, root["$defs"][want.removeprefix("#/$defs/")], root, place)
        elif keyword == "anyOf":
            if all(list(_faults(value, each, root, place)) for each in want):
                yield place, "fits none of the forms it may take"
        elif keyword == "required":
            missing = [name for name in want if name not in value] if mapping(value) else []
            yield from ((f"{place}.{name}".lstrip("."), "is missing") for name in missing)
        elif keyword not in {*SILENT, "items", "additionalProperties"}:
            raise ValueError(f"the schema uses {keyword!r}, which this reader does not know")
    for inner, inner_rule, name in _inside(value, rule):
        yield from _faults(inner, inner_rule, root, f"{place}{name}".lstrip("."))


def _inside(value: Any, rule: Mapping[str, Any]) -> Iterator[tuple[Any, Mapping[str, Any], str]]:
    """What stands inside a value and has a rule of its own: (inner value, its rule, its name)."""
    if array(value) and "items" in rule:
        yield from ((inner, rule["items"], f"[{index}]") for index, inner in enumerate(value))
    if mapping(value):
        known = rule.get("properties", {})
        for name, inner in value.items():
            inner_rule = known.get(name, rule.get("additionalProperties"))
            if inner_rule is not None:
                yield inner, inner_rule, f".{name}"
