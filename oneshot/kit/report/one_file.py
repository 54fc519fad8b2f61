"""Pages in one file: markup, style, script and data filled into one frame, in the tones of them all."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from collections.abc import Sequence
from importlib.resources import files

from oneshot.kit.report.markup import Markup, join


def filled(package: str, *, title: str, body: Markup, data: object, more: Sequence[str] = (), sources: str = "") -> str:
    """A page as text: ``frame.html`` around ``page.html``, with ``page.css`` and ``page.js`` of a package and what is
    given; ``more``: style sheets that lie here; ``sources``: what else its Content Security Policy lets it load. Its
    script runs by its sum alone, so that nothing else in the page ever does.
    """
    script = _asset(package, "page.js")
    sheets = [_asset(__package__, "tones.css"), _asset(package, "page.css"), *(_asset(__package__, n) for n in more)]
    parts = {
        "title": join(title), "css": "\n".join(sheets), "body": body, "data": script_json(data), "js": script,
        "sources": sources,
        "script_hash": "sha256-" + base64.b64encode(hashlib.sha256(f"\n{script}\n".encode()).digest()).decode("ascii"),
    }
    template = _asset(__package__, "frame.html").replace("{{page}}", _asset(package, "page.html"))
    return re.sub(r"\{\{(\w+)\}\}", lambda match: str(parts[match[1]]), template)


def script_json(record: object) -> str:
    """JSON that may stand inside a script element.

    "<", ">" and "&" are written as escapes, so that no text can end the element or open another (HTML Living Standard,
    "Restrictions for contents of script elements"); so are U+2028 and U+2029, as ``json`` does for all beyond ASCII.
    """
    text = json.dumps(record, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _asset(package: str, name: str) -> str:
    return files(package).joinpath(name).read_text(encoding="utf-8").rstrip("\n")
