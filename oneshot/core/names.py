"""Names of files: those that hold bytes which are no text, and paths that must lead down from a folder.

Linux takes any bytes for a name. Python shows those that are not valid UTF-8 as lone surrogates (PEP 383), with which
the file can be opened again, but which no text file, no sound file's tag and no JSON may hold. A folder above a session
or a kit may be called so; what is written into a kit may not.
"""

from __future__ import annotations

import re
from pathlib import Path

_ELSEWHERE = re.compile(r"[\x00-\x1f\\:]")
"""What leads elsewhere on another system, or is no name there."""


_DEVICE = re.compile(r"con|prn|aux|nul|(?:com|lpt)[0-9]", re.IGNORECASE)
"""What Windows takes for a device in every folder, whatever suffix follows."""


def no_device(name: str) -> str:
    """A file's or folder's name without suffix, with ``-1`` after it where it is that of a device."""
    return f"{name}-1" if _DEVICE.fullmatch(name) else name


def leads_down(path: str, *, on_any_system: bool = False) -> bool:
    """Whether a relative path with forward slashes names something below the folder that it starts from, here or
    ``on_any_system``.
    """
    here = Path(path)
    return not ("\0" in path or {"", ".", ".."} & set(path.split("/")) or here.is_absolute() or here.drive or here.root
                or ".." in here.parts or (on_any_system and _ELSEWHERE.search(path)))


def is_text(name: str) -> bool:
    """Whether a name can be written as UTF-8."""
    return not any("\ud800" <= c <= "\udfff" for c in name)


def shown(name: str) -> str:
    r"""A name as text, each byte of it that is none as ``\xff``: what it is called in a message or a file of text."""
    return "".join(f"\\x{ord(c) - 0xdc00:02x}" if "\udc80" <= c <= "\udcff" else c if is_text(c) else "\ufffd"
                   for c in name)


def odd_part(path: Path, root: Path | None = None) -> str | None:
    """The first part of a path (below ``root``, where that is given) that is no text, as ``shown``; None: all are."""
    parts = path.parts if root is None else path.relative_to(root).parts
    return next((shown(part) for part in parts if not is_text(part)), None)
