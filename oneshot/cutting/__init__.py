"""Cutting: from chosen hits to files: windows, fades, repair, formats, tags."""

from __future__ import annotations

from typing import TYPE_CHECKING

from oneshot.core.lazy import face

__all__ = ["Along", "Cutter", "Files", "Finisher", "Printer", "compute_balance", "missing_prints", "open_processed",
           "track_names"]

if TYPE_CHECKING:
    from oneshot.cutting.cutter import Cutter
    from oneshot.cutting.files import Files
    from oneshot.cutting.formats import Finisher
    from oneshot.cutting.mix.balance import compute_balance
    from oneshot.cutting.mix.prints import Printer, missing_prints
    from oneshot.cutting.processed import Along, open_processed, track_names
else:
    __getattr__, __dir__ = face(__name__, {
        "Along": "processed", "Cutter": "cutter", "Files": "files", "Finisher": "formats", "Printer": "mix.prints",
        "compute_balance": "mix.balance", "missing_prints": "mix.prints", "open_processed": "processed",
        "track_names": "processed"})
