"""Pages in one file: markup, style, script and data filled into a package's ``page.html``, in the tones of them all."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from collections.abc import Sequence
from importlib.resources import files

from oneshot.kit.report.markup import Markup, join


def filled(package: str, *, title: str, body: Markup, data: object, more: Sequence[str] = ()) -> str:
    """A page as text, of ``page.html``, ``page.css`` and ``page.js`` of a package and of what is given; ``more``: style
    sheets that lie here. Its script runs by its sum alone (Content Security Policy), so that nothing else in the page
    ever does.
    """
    script = _asset(package, "page.js")
    parts = {
        "title": join(title), "css": "\n".join([_asset(__package__, "tones.css"), _asset(package, "page.css"),
                                                *(_asset(__package__, name) for name in more)]), "body": body,
        "data": script_json(data), "js": script,
        "script_hash": "sha256-" + base64.b64encode(hashlib.sha256(f"\n{script}\n".encode()).digest()).decode("ascii"),
    }
    return re.sub(r"\{\{(\w+)\}\}", lambda match: str(parts[match[1]]), _asset(package, "page.html"))


def script_json(record: object) -> str:
    """JSON that may stand inside a script element.

    "<", ">" and "&" are written as escapes, so that no text can end the element or open another (HTML Living Standard,
    "Restrictions for contents of script elements"); so are U+2028 and U+2029, as ``json`` does for all beyond ASCII.
    """
    text = json.dumps(record, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _asset(package: str, name: str) -> str:
    return files(package).joinpath(name).read_text(encoding="utf-8").rstrip("\n")
