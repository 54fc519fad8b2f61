"""The review page: a local server that shows a kit hit by hit, plays it, and writes down what its owner overrules.

``security`` lets in who may come in, ``state`` holds the kit and its ``decisions``, ``ahead`` knows what the next build
will call its hits, ``views`` and ``recordings`` say and play what is there, ``rebuild`` makes the kit anew, ``server``
puts them behind addresses, ``serve`` runs it. The page itself lies in ``static``: plain HTML, CSS and modules, nothing
to build, nothing asked of a network.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from oneshot.core.lazy import face

__all__ = ["Desk", "application"]

if TYPE_CHECKING:
    from oneshot.review.server import application
    from oneshot.review.state import Desk
else:
    __getattr__, __dir__ = face(__name__, {"Desk": "state", "application": "server"})
