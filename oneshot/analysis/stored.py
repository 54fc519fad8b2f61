"""Stored: what was found in a session, for the next build of it, from whatever recipe.

Hits, drums, delays and bleed depend on the recordings, on what session.toml and corrections.toml say of them and on the
code, on no other key of a recipe than which takes share a set. So they lie in the store beside all of that: as text,
packed, in one array of bytes, a line a hit. Read back, they are the same to the bit. Where anything differs (another
version of a library that they depend on, one letter of the code, a file that is broken) nothing is taken from there.
"""

from __future__ import annotations

import gzip
import hashlib
import json
import types
import typing
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass, replace
from functools import cache
from importlib import metadata
from importlib.resources import files
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np

from oneshot.analysis.result import Analysis
from oneshot.config.handling import Told
from oneshot.core.records.hits import Hit
from oneshot.core.records.session import Problem, Session
from oneshot.core.store import Store

NAME = "analysis"
LIBRARIES = ("numpy", "pyloudnorm", "scipy", "soundfile", "soxr")

Found = tuple[Analysis, tuple[Problem, ...]]


def load(store: Store, session: Session, told: Sequence[Told], how: str) -> Found | None:
    """What the store holds of a session for the same ``told`` (places where the user says that hits are) and ``how``
    (which takes share a set); None where that is nothing, or nothing that can be used.
    """
    params = _params(session, told, how)
    arrays = store.load(NAME, params)
    if arrays is None:
        return None
    try:
        return _from_text(np.asarray(arrays["text"], np.uint8).tobytes(), params)
    except (KeyError, TypeError, ValueError, AttributeError, OSError, EOFError, StopIteration, zlib.error):
        store.stale.append(NAME)  # cut off, or written over
        return None


def _from_text(text: bytes, params: Mapping[str, Any]) -> Found:
    """What a text made with these parameters says; anything that reading may raise where it was not."""
    with gzip.GzipFile(fileobj=BytesIO(text)) as lines:
        count, asked = json.loads(next(lines))
        if asked != params:  # another build wrote it between two looks at the folder
            raise ValueError("made with other parameters")
        hits = tuple([_read(Hit, json.loads(next(lines))) for _ in range(count)])
        rest: Analysis = _read(Analysis, json.loads(next(lines)))
        apart: tuple[Problem, ...] = _read(tuple[Problem, ...], json.loads(next(lines)))
        return replace(rest, hits=hits), apart


def save(store: Store, session: Session, told: Sequence[Told], how: str, found: Found) -> None:
    """Keep what was found, in place of what was kept; not where strokes are laid over time, for those hold scans."""
    analysis, apart = found
    if analysis.laid is not None:
        return
    params, text = _params(session, told, how), BytesIO()
    with gzip.GzipFile(fileobj=text, mode="wb", compresslevel=1, mtime=0) as lines:
        for each in ([len(analysis.hits), params], *analysis.hits, replace(analysis, hits=()), apart):
            lines.write(json.dumps(_plain(each)).encode() + b"\n")
    store.save(NAME, params, {"text": np.frombuffer(text.getvalue(), np.uint8)})


def _params(session: Session, told: Sequence[Told], how: str) -> dict[str, Any]:
    """All that the result depends on, save for the recordings, whose fingerprint the store goes by."""
    said = [(t.take, t.frame, sorted(t.drums), t.missed) for t in told]
    asked = repr((replace(session, root=Path()), said, how))
    return {"code": code_digest(), "libraries": _versions(), "asked": hashlib.sha256(asked.encode()).hexdigest()}


@cache
def code_digest() -> str:
    """A text that is another one where any module of the package is, in whichever of its folders."""
    digest, package = hashlib.sha256(), Path(str(files("oneshot")))
    for path in sorted(package.rglob("*.py")):
        digest.update(path.relative_to(package).as_posix().encode() + b"\0" + path.read_bytes() + b"\0")
    return digest.hexdigest()


@cache
def _versions() -> dict[str, str]:
    """Name -> version of the libraries that the result may depend on."""
    return {name: metadata.version(name) for name in LIBRARIES}


def _plain(value: Any) -> Any:
    """A tree of records as plain JSON types: records, tuples and sets as lists, keys as texts."""
    if is_dataclass(value) and not isinstance(value, type):
        return [_plain(getattr(value, each.name)) for each in fields(value) if each.init]
    if isinstance(value, Mapping):
        return {str(key): _plain(each) for key, each in value.items()}
    if isinstance(value, frozenset):
        return sorted(_plain(each) for each in value)
    if isinstance(value, tuple | list):
        return [_plain(each) for each in value]
    return value.item() if isinstance(value, np.generic) else value


def _read(hint: Any, plain: Any) -> Any:
    """The tree of records of a type that lies in plain JSON types. Raises ValueError or TypeError where none does."""
    origin, inner = typing.get_origin(hint), typing.get_args(hint)
    if origin in (typing.Union, types.UnionType):
        return None if plain is None else _read(next(each for each in inner if each is not type(None)), plain)
    if origin is tuple:
        kinds = [inner[0]] * len(plain) if inner[-1] is Ellipsis else inner
        return tuple(_read(kind, each) for kind, each in zip(kinds, plain, strict=True))
    if origin is frozenset:
        return frozenset(_read(inner[0], each) for each in plain)
    if origin is not None and issubclass(origin, Mapping):
        return {inner[0](key): _read(inner[1], each) for key, each in plain.items()}
    if is_dataclass(hint) and isinstance(hint, type):
        given = zip(_given(hint), plain, strict=True)
        return hint(**{name: _read(kind, each) for (name, kind), each in given})
    if not isinstance(plain, hint if hint is not float else float | int):
        raise TypeError(f"{plain!r} is no {hint}")
    return plain


@cache
def _given(kind: type) -> list[tuple[str, Any]]:
    """Names and types of what a record is made from."""
    hints = typing.get_type_hints(kind)
    return [(each.name, hints[each.name]) for each in fields(kind) if each.init]
