"""Analysis: from recordings to hits: found, told apart by drum and articulation, placed and measured."""

from __future__ import annotations

from typing import TYPE_CHECKING

from oneshot.core.lazy import face

__all__ = ["Analysis", "Findings", "FoundDrum", "analyse", "analysed", "apply_corrections", "completed",
           "corrected_hits", "nudged", "pooling_of", "scan_takes", "stored_findings"]

if TYPE_CHECKING:
    from oneshot.analysis.complete import completed
    from oneshot.analysis.corrected import correct as apply_corrections
    from oneshot.analysis.corrected import corrected_hits, nudged
    from oneshot.analysis.detection.take import scan_takes
    from oneshot.analysis.pooling import pooling_of
    from oneshot.analysis.result import Analysis, Findings, FoundDrum
    from oneshot.analysis.run import analyse, analysed
    from oneshot.analysis.stored import load as stored_findings
else:
    __getattr__, __dir__ = face(__name__, {
        "Analysis": "result", "Findings": "result", "FoundDrum": "result", "analyse": "run", "analysed": "run",
        "apply_corrections": "corrected:correct", "completed": "complete",
        "corrected_hits": "corrected", "nudged": "corrected", "pooling_of": "pooling", "scan_takes": "detection.take",
        "stored_findings": "stored:load"})
