"""Keys: what a stored result depends on, apart from the recordings, as one text."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from functools import cache
from importlib import metadata
from importlib.resources import files
from pathlib import Path
from typing import Any

LAYOUT = 2
"""Version of the layout in which results are stored."""

LIBRARIES = ("msgspec", "numpy", "pyloudnorm", "scipy", "soundfile", "soxr")
"""Libraries of which another version may compute, decode or store otherwise."""


def key_of(params: Mapping[str, Any]) -> str:
    """The key of a result with these parameters (plain JSON types), hexadecimal: another one wherever a parameter, a
    letter of the package's code, a library or the layout is another.
    """
    asked = [LAYOUT, code_digest(), versions(), params]
    return hashlib.sha256(json.dumps(asked, sort_keys=True).encode()).hexdigest()


@cache
def code_digest() -> str:
    """A text that is another one where any module of the package is, in whichever of its folders."""
    digest, package = hashlib.sha256(), Path(str(files("oneshot")))
    for path in sorted(package.rglob("*.py")):
        digest.update(path.relative_to(package).as_posix().encode() + b"\0" + path.read_bytes() + b"\0")
    return digest.hexdigest()


@cache
def versions() -> dict[str, str]:
    """Name -> version of the libraries that a result may depend on."""
    return {name: metadata.version(name) for name in LIBRARIES}
