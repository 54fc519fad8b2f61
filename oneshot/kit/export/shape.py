"""Holds a JSON document against the manifest's JSON Schema: every fault, with its place in the document.

The schema is compiled once into a function of its own, so that a manifest of many hundreds of hits takes a few
hundredths of a second. Imported by ``verify`` alone: nothing else pays for the library.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from functools import cache
from typing import Any

import fastjsonschema

TOP = "data"
"""What the library calls the document itself in places."""


def faults(document: Any, schema: Mapping[str, Any]) -> list[tuple[str, str]]:
    """(place, what is wrong) of every fault, places like ``hits[3].onset``; empty for a document that fits.

    Raises ValueError where the schema is none.
    """
    try:
        _compiled(json.dumps(schema, sort_keys=True))(document)
    except fastjsonschema.JsonSchemaValuesException as error:
        return [fault for each in error.errors for fault in _named(each)]
    return []


@cache
def _compiled(schema: str) -> Callable[[Any], Any]:
    """The function that checks a document; it collects all faults and fills in nothing."""
    return fastjsonschema.compile(json.loads(schema), use_default=False, use_formats=False, fast_fail=False)


def _named(error: fastjsonschema.JsonSchemaValueException) -> list[tuple[str, str]]:
    """A fault by its place, and a missing field by its own."""
    name = str(error.name)
    place = name.removeprefix(TOP).lstrip(".")
    if error.rule == "required":
        missing = [each for each in error.rule_definition if each not in error.value]
        return [(f"{place}.{each}".lstrip("."), "is missing") for each in missing]
    return [(place, error.message.removeprefix(name).strip())]
