"""corrections.toml: what the user overruled, as records and as text.

Entries count from top to bottom, each in the kit as those above it left it: whoever looks at a kit and adds an entry
at the end names drums as that kit calls them. A hit is known by its take and frame, never by its number.

``KINDS`` says which entries there are and which keys each takes; the reader, the writer and the commented file of a
new kit all come from it. Two of them are written as the review page calls them (``WORDS``); files that have the names
from before are read as ever.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from oneshot.core.bounded_text import parse_toml, read_toml
from oneshot.core.errors import SettingsError
from oneshot.core.names import no_device
from oneshot.core.text import nearest_letters, shortened

FORMAT = "oneshot-corrections"
VERSION = 1


@dataclass(frozen=True, slots=True)
class Place:
    """A hit by its take and frame."""

    take: str
    frame: int


@dataclass(frozen=True, slots=True)
class Correction:
    """One entry of the file; fields are the file's keys, and what an entry does not say is None or empty.

    ``kind``: a key of ``KINDS``. It speaks of ``hits``, or of a group: a drum, one articulation of it, one of its
    layers. ``note`` is the user's own remark.
    """

    kind: str
    hits: tuple[Place, ...] = ()
    drum: str | None = None
    articulation: str | None = None
    layer: int | None = None
    drums: tuple[str, ...] = ()
    articulations: tuple[str, ...] = ()
    mics: tuple[str, ...] = ()
    to: str | None = None
    to_articulation: str | None = None
    frames: int | None = None
    ms: float | None = None
    after_ms: float | None = None
    in_ms: float | None = None
    out_ms: float | None = None
    gain_db: float | None = None
    note: str | None = None

    @property
    def word(self) -> str:
        """What the file calls its kind."""
        return WORDS.get(self.kind, self.kind)


@dataclass(frozen=True, slots=True)
class Corrections:
    """Everything that was overruled, in the order of the file."""

    entries: tuple[Correction, ...] = ()

    def without(self, entry: Correction) -> Corrections:
        """The same without the last entry equal to that one. Raises ValueError where there is none."""
        at = len(self.entries) - 1 - self.entries[::-1].index(entry)
        return Corrections(self.entries[:at] + self.entries[at + 1:])


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of entry: what it does, whom it may speak of, and its keys.

    ``whom``: "hits", "group" (a drum and what narrows it down), "either", or "names" (none of those). Of ``one_of``
    at least one key is needed, or exactly one where ``just_one``.
    """

    does: str
    whom: str
    example: str
    needs: tuple[str, ...] = ()
    may: tuple[str, ...] = ()
    one_of: tuple[str, ...] = ()
    just_one: bool = False
    layers: bool = True
    single: bool = False


_HIT = 'take = "take 1"\nframe = 123456\n'
_HITS = 'hits = [{ take = "take 1", frame = 123456 }, { take = "take 1", frame = 234567 }]\n'

KINDS: dict[str, Kind] = {
    "reject": Kind("never make a one-shot of it", "either", _HIT),
    "keep": Kind("make a one-shot of it, whatever its grade", "either", _HIT),
    "rename": Kind("rename a drum or, with `articulation`, one of its articulations", "names",
                   'drum = "percussion-1"\nto = "cowbell"\n', needs=("drum", "to"), may=("articulation",)),
    "move": Kind("move it to another drum or articulation of the kit", "either",
                 f'{_HIT}to = "snare"\nto_articulation = "rim"\n', one_of=("to", "to_articulation"), layers=False),
    "merge": Kind("merge drums or, with `drum` and `articulations`, articulations of one drum", "names",
                  'drums = ["snare", "percussion-2"]\nto = "snare"\n', needs=("to",), may=("drum",),
                  one_of=("drums", "articulations"), just_one=True),
    "split": Kind("make these a new drum or articulation", "hits",
                  f'{_HITS}to_articulation = "edge"\n', one_of=("to", "to_articulation")),
    "layer": Kind("put it in this velocity layer of its articulation; 1 is the softest", "hits", f"{_HIT}layer = 3\n",
                  needs=("layer",)),
    "round_robins": Kind("the round robins of one layer: exactly these hits, in this order", "names",
                         f'drum = "snare"\narticulation = "centre"\nlayer = 2\n{_HITS}',
                         needs=("drum", "articulation", "layer", "hits")),
    "add": Kind("add a missed hit near this frame; without `drum` the likeliest one", "hits",
                f'{_HIT}drum = "snare"\narticulation = "centre"\n', may=("drum", "articulation"), single=True),
    "nudge": Kind("move its start later, or earlier if negative", "either", f"{_HIT}ms = -0.3             "
                  "# or frames = -14\n", one_of=("frames", "ms"), just_one=True),
    "end": Kind("end its files this long after the attack", "either", f"{_HIT}after_ms = 800.0\n", needs=("after_ms",)),
    "fade": Kind("fade-in and fade-out lengths of its files", "either",
                 f"{_HIT}in_ms = 0.5\nout_ms = 120.0\n", one_of=("in_ms", "out_ms")),
    "drop": Kind("leave these mics or pairs out of it", "either", f'{_HIT}mics = ["OH L", "OH R"]\n',
                 needs=("mics",)),
    "gain": Kind("trim its level, equally in all mics", "either",
                 'drum = "snare"\narticulation = "centre"\nlayer = 2\n'
                 "gain_db = -1.5\n", needs=("gain_db",)),
}

WORDS = {"reject": "leave_out", "keep": "use"}
"""Kind -> what it is called in the file, where that is another word."""
_KINDS_BY_WORD = {**{kind: kind for kind in KINDS}, **{word: kind for kind, word in WORDS.items()}}

_TEXTS = ("drum", "articulation", "to", "to_articulation", "note")
_LISTS = ("drums", "articulations", "mics")
_LIMITS: dict[str, tuple[float, float]] = {
    "layer": (1, 99), "frames": (-20_000, 20_000), "ms": (-100, 100), "after_ms": (1, 600_000), "in_ms": (0, 10_000),
    "out_ms": (0, 60_000), "gain_db": (-40, 40)}
_WHOLE = ("layer", "frames")

_HEAD = f'''# Your corrections; they are kept in every rebuild.
# Entries apply from top to bottom, each to the result of those above it: add new ones at the end.
# A hit is identified by its take and frame (see hits.csv). An entry for one hit may also list several
# (hits = [{{ take = "take 1", frame = 123456 }}, ...]) or, most of them, name a group: drum = "snare", optionally with
# articulation = "rim" and layer = 2. Any entry may carry a note = "...".
format = "{FORMAT}"
version = {VERSION}
'''


def _commented(kind: str) -> str:
    lines = [f"[[{WORDS.get(kind, kind)}]]", *KINDS[kind].example.splitlines()]
    return "\n".join([f"# {lines[0]:<22} # {KINDS[kind].does}", *(f"# {line}" for line in lines[1:])])


EMPTY_TEXT = _HEAD + "\n# Uncomment and repeat as often as needed.\n\n" + "\n\n".join(map(_commented, KINDS)) + "\n"
"""What a new kit's corrections.toml holds: one example of each kind, commented out."""


def safe_name(text: str) -> str:
    """A name as the kit's folders show it: lower-case ASCII letters (the nearest: ``u`` for ``ü``), digits and single
    hyphens, at most 24 characters; never that of a device.
    """
    return no_device(re.sub(r"[^a-z0-9]+", "-", nearest_letters(text).lower()).strip("-")[:24].strip("-"))


# -------------------------------------------------------------------------------------------------------------- reading


def load(path: Path) -> Corrections:
    """Read a corrections file; one that does not exist corrects nothing.

    Raises SettingsError with one clear line where the file is no TOML, of another format or version, or holds a bad
    value.
    """
    try:
        text = read_toml(path)
    except FileNotFoundError:
        return Corrections()
    except (OSError, ValueError) as error:
        raise SettingsError(f"{path} cannot be read ({error}): check the file") from None
    return parse(text, path.name)


def parse(text: str, where: str = "corrections.toml") -> Corrections:
    """Corrections from the text of a file. Raises SettingsError, naming ``where``, in one line."""
    try:
        table = parse_toml(text)
    except ValueError as error:
        raise SettingsError(f"{where} is not valid TOML ({error}): correct that line") from None
    if table.get("format") != FORMAT or table.get("version") != VERSION or isinstance(table["version"], bool):
        raise SettingsError(f'{where} must contain format = "{FORMAT}" and version = {VERSION}; it has '
                            f"{_shown(table.get('format'))} and {_shown(table.get('version'))}")
    for key in sorted(set(table) - {"format", "version", *_KINDS_BY_WORD}):
        at = _at_line(text, rf'^[ \t]*(?:\[+[ \t]*)?"?{re.escape(key)}"?[ \t]*[\]=.]')
        raise SettingsError(f"{where}{at}: {_plain(key)} is not a correction: write one of "
                            f"{', '.join(WORDS.get(kind, kind) for kind in KINDS)}")
    rows = {word: _rows(table, word, where) for word in _KINDS_BY_WORD}
    heads = list(re.finditer(r"^[ \t]*\[\[[ \t]*(\w+)[ \t]*\]\]", text, re.MULTILINE))
    order = [head[1] for head in heads]
    counts = Counter({word: len(found) for word, found in rows.items() if found})
    if Counter(order) != counts:  # their order could not be told
        raise SettingsError(f"{where}: write each entry under its own [[...]] line, and no such line inside strings")
    queues = {word: iter(found) for word, found in rows.items()}
    seen: Counter[str] = Counter()
    entries = []
    for word, head in zip(order, heads, strict=True):
        seen[word] += 1
        line = text.count("\n", 0, head.start(1)) + 1
        told = f"{where}, line {line}: {word} no. {seen[word]}"
        entries.append(_entry(_KINDS_BY_WORD[word], next(queues[word]), told))
    return Corrections(tuple(entries))


def _at_line(text: str, pattern: str) -> str:
    """``, line 7`` for the first line of a text where a pattern is found; empty where it is not."""
    found = re.search(pattern, text, re.MULTILINE)
    return f", line {text.count(chr(10), 0, found.start()) + 1}" if found else ""


def _plain(text: object) -> str:
    """On one line, and not endless."""
    return shortened(text, 200)


def _shown(value: object) -> str:
    """A value as a message shows it."""
    return _plain(repr(value))


def _rows(table: Mapping[str, Any], word: str, where: str) -> list[Mapping[str, Any]]:
    rows = table.get(word, [])
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        raise SettingsError(f"{where}: write each {word} as a [[{word}]] table")
    return rows


def _entry(kind: str, row: Mapping[str, Any], where: str) -> Correction:
    """One entry, checked. Raises SettingsError."""
    form = KINDS[kind]
    values = {key: _value(key, value, where) for key, value in row.items() if key not in ("take", "frame", "hits")}
    hits = _hits(row, where)
    if hits:
        values["hits"] = hits
    allowed = {"note", *form.needs, *form.may, *form.one_of}
    if form.whom != "names":
        allowed |= {"hits"}
    if form.whom == "either" and not hits:
        allowed |= {"drum", "articulation", *(("layer",) if form.layers else ())}
    for key in sorted(set(values) - allowed):
        beside = " beside hits" if hits and key != "hits" else ""
        raise SettingsError(f"{where} does not take {_plain(key)}{beside}: leave it out")
    _check_whom(form, values, where)
    for key in form.needs:
        if key not in values:
            raise SettingsError(f"{where} needs {key}")
    said = [key for key in form.one_of if key in values]
    if form.one_of and (not said or (form.just_one and len(said) > 1)):
        word = " or ".join(form.one_of) + (", one of them" if form.just_one else "")
        raise SettingsError(f"{where} needs {word}")
    if kind == "merge" and ("drum" in values) != ("articulations" in values):
        raise SettingsError(f"{where} needs drums, or a drum and its articulations")
    return Correction(kind, **values)


def _check_whom(form: Kind, values: Mapping[str, Any], where: str) -> None:
    """Raise SettingsError where an entry does not say of whom it speaks."""
    if form.whom == "names" or "hits" in values:
        if form.single and len(values["hits"]) > 1:
            raise SettingsError(f"{where} takes one hit: write one entry per hit")
        return
    if form.whom == "hits":
        raise SettingsError(f"{where} needs a take and a frame" + ("" if form.single else ", or hits"))
    if "drum" not in values:
        raise SettingsError(f"{where} needs a take and a frame, or hits, or a drum")


def _hits(row: Mapping[str, Any], where: str) -> tuple[Place, ...]:
    """The hits that an entry names: one by take and frame, or a list of such."""
    several = row.get("hits")
    if several is None:
        return (_place(row, where),) if "take" in row or "frame" in row else ()
    if "take" in row or "frame" in row:
        raise SettingsError(f"{where}: give take and frame, or hits, not both")
    if not isinstance(several, list) or not several or not all(isinstance(each, dict) for each in several):
        raise SettingsError(f'{where}: write hits as [{{ take = "take 1", frame = 123456 }}]')
    for each in several:
        if set(each) != {"take", "frame"}:
            raise SettingsError(f"{where}: each of its hits takes a take and a frame, and nothing else")
    found = tuple(_place(each, where) for each in several)
    if len(set(found)) < len(found):
        raise SettingsError(f"{where} lists a hit twice: delete one")
    return found


def _place(row: Mapping[str, Any], where: str) -> Place:
    take, frame = row.get("take"), row.get("frame")
    if not isinstance(take, str) or not isinstance(frame, int) or isinstance(frame, bool) or not 0 <= frame < 2**62:
        raise SettingsError(f"{where} needs a take (string) and a frame (a whole number, 0 or more)")
    return Place(take, frame)


def _value(key: str, value: Any, where: str) -> Any:
    """The value of a key, checked. Raises SettingsError."""
    if key in _TEXTS:
        if not isinstance(value, str) or not value.strip():
            raise SettingsError(f"{where}: {key} must be a string")
        if key in ("to", "to_articulation") and not safe_name(value):
            raise SettingsError(f"{where}: {_shown(value)} has no letter or digit usable in a file name")
        return value
    if key in _LISTS:
        if not isinstance(value, list) or not value or not all(isinstance(each, str) for each in value):
            raise SettingsError(f"{where}: {key} must be a list of strings")
        return tuple(value)
    if key in _LIMITS:
        low, high = _LIMITS[key]
        kinds = int if key in _WHOLE else (int, float)
        if not isinstance(value, kinds) or isinstance(value, bool) or not low <= value <= high:
            number = "a whole number" if key in _WHOLE else "a number"
            raise SettingsError(f"{where}: {key} must be {number} from {low:g} to {high:g}, not {_shown(value)}")
        return value if key in _WHOLE else float(value)
    raise SettingsError(f"{where} has the unknown key {_plain(key)}: correct or delete that line")


# -------------------------------------------------------------------------------------------------------------- writing


def dump(corrections: Corrections) -> str:
    """The text of a corrections file, with a remark on every entry; ``parse`` gives the same corrections back."""
    return _HEAD + "".join(f"\n{_written(entry)}" for entry in corrections.entries)


def _written(entry: Correction) -> str:
    lines = [f"{f'[[{entry.word}]]':<22} # {KINDS[entry.kind].does}"]
    hits = [f"{{ take = {_text(p.take)}, frame = {p.frame} }}" for p in entry.hits]
    if len(hits) == 1:
        lines += [f"take = {_text(entry.hits[0].take)}", f"frame = {entry.hits[0].frame}"]
    elif hits:
        lines += ["hits = [", *(f"  {each}," for each in hits), "]"]
    for field in fields(entry):
        value = getattr(entry, field.name)
        if field.name not in ("kind", "hits") and value not in (None, ()):
            lines.append(f"{field.name} = {_text(value)}")
    return "\n".join(lines) + "\n"


def _text(value: str | float | tuple[str, ...]) -> str:
    """A value as TOML writes it: its basic strings know all escapes of JSON, and want the delete sign escaped, too."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
