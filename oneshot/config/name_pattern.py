"""Name patterns: what the files of a kit are called, as the recipe writes it: fields in braces, other signs between."""

from __future__ import annotations

import re
from collections.abc import Mapping

from oneshot.core.errors import SettingsError
from oneshot.core.text import nearest_letters

FIELDS = ("kit", "drum", "articulation", "layer", "velocity", "round_robin", "hit", "mic")
NAME_LENGTH = 64
"""Letters of a name at most, its suffix included."""
SUFFIX_LENGTH = 5
OWN_LENGTH = 20
"""Letters between the fields at most, so that whatever stands in these finds room."""
KIT_LENGTH = 12

SHORTENED = (("mic", 8), ("articulation", 6), ("kit", 4), ("drum", 6))
"""Which fields give way in a name that is too long, and how much of each stays."""

_FIELD = re.compile(r"\{([^{}]*)\}")
_ALONE = (("hit",), ("round_robin", "layer"), ("round_robin", "velocity"))
"""What tells the one-shots of an articulation apart."""


def check_pattern(pattern: str, where: str) -> None:
    """Raise SettingsError, naming ``where``, unless a pattern makes names that every disk takes, and other ones for
    other hits of an articulation.
    """
    fields, own = _FIELD.findall(pattern), _FIELD.sub("", pattern)
    for name in fields:
        if name not in FIELDS:
            raise SettingsError(f"{where} names {{{name}}}: use {', '.join(f'{{{field}}}' for field in FIELDS)}")
        if fields.count(name) > 1:
            raise SettingsError(f"{where} names {{{name}}} twice: once will do")
    if re.search(r"[^A-Za-z0-9_-]", own):
        raise SettingsError(f"{where} is {pattern!r}: between the fields use letters a to z, digits, _ and - alone")
    if len(own) > OWN_LENGTH:
        raise SettingsError(f"{where} has {len(own)} letters beside its fields: {OWN_LENGTH} fit in")
    if not any(set(alone) <= set(fields) for alone in _ALONE):
        raise SettingsError(f"{where} is {pattern!r}, which does not tell hits apart: add {{hit}}, or {{layer}} and "
                            "{round_robin}")


def fields_of(pattern: str) -> tuple[str, ...]:
    """The fields in a pattern."""
    return tuple(_FIELD.findall(pattern))


def filled(pattern: str, values: Mapping[str, str], end: str = "") -> str:
    """A name without suffix, short enough to get one: the pattern with these values in its fields, and ``end`` after
    it. An empty value goes with the ``_`` or ``-`` in front of it.
    """
    room, values = NAME_LENGTH - SUFFIX_LENGTH, dict(values)
    for field, least in SHORTENED:
        over = len(_put_in(pattern, values) + end) - room
        if over > 0:
            values[field] = values[field][:max(least, len(values[field]) - over)].rstrip("-")
    return _put_in(pattern, values) + end


def _put_in(pattern: str, values: Mapping[str, str]) -> str:
    """The values in their fields, none shortened."""
    out = ""
    for n, part in enumerate(_FIELD.split(pattern)):
        value = values[part] if n % 2 else part
        out = out + value if value or not n % 2 else out.rstrip("_-")
    return out.strip("_-")


def short_name(kit: str) -> str:
    """A kit's name as file names show it: its first words, in lower case, ASCII letters and digits, joined by hyphens,
    at most ``KIT_LENGTH`` of them.
    """
    words = hyphened(kit).split("-")
    out = words[0][:KIT_LENGTH]
    for word in words[1:]:
        if len(out) + 1 + len(word) > KIT_LENGTH:
            break
        out += f"-{word}"
    return out or "kit"


def hyphened(text: str) -> str:
    """A name in lower-case ASCII letters (the nearest: ``u`` for ``ü``) and digits, hyphens between its words:
    ``KickIn`` and ``Kick In`` are ``kick-in``.
    """
    words = re.sub(r"(?<=[a-z0-9])(?=[A-Z][a-z])", "-", nearest_letters(text))
    return re.sub(r"[^a-z0-9]+", "-", words.lower()).strip("-")
