"""Selection: which hits become one-shots, in which velocity layer and round robin."""

from __future__ import annotations

from typing import TYPE_CHECKING

from oneshot.core.lazy import face

__all__ = ["Chooser", "Chosen", "Pick", "choose", "covered", "only_drums", "select_hits"]

if TYPE_CHECKING:
    from oneshot.selection.coverage import covered
    from oneshot.selection.run import only_drums, select_hits
    from oneshot.selection.select import Chooser, Chosen, Pick, choose
else:
    __getattr__, __dir__ = face(__name__, {
        "Chooser": "select", "Chosen": "select", "Pick": "select", "choose": "select", "covered": "coverage",
        "only_drums": "run", "select_hits": "run"})
