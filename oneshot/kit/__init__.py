"""Kit: a finished kit, read, checked, measured again, played, written in every format and given away."""

from __future__ import annotations

from typing import TYPE_CHECKING

from oneshot.core.lazy import face

__all__ = ["CORRECTIONS", "RECIPE", "assembled", "claim", "pack_kit", "pack_session", "preview", "read_kit",
           "read_manifest", "verify_kit", "write_all", "write_kit", "write_report"]

if TYPE_CHECKING:
    from oneshot.kit.assemble import assemble as assembled
    from oneshot.kit.contents import CORRECTIONS, RECIPE, claim
    from oneshot.kit.export import write_all
    from oneshot.kit.playback.preview import preview
    from oneshot.kit.read import read_kit, read_manifest
    from oneshot.kit.release.pack_kit import pack_kit
    from oneshot.kit.release.pack_session import pack_session
    from oneshot.kit.report import write_report
    from oneshot.kit.verify import verify_kit
    from oneshot.kit.write import write_kit
else:
    __getattr__, __dir__ = face(__name__, {
        "CORRECTIONS": "contents", "RECIPE": "contents", "assembled": "assemble:assemble", "claim": "contents",
        "pack_kit": "release.pack_kit", "pack_session": "release.pack_session", "preview": "playback.preview",
        "read_kit": "read", "read_manifest": "read", "verify_kit": "verify", "write_all": "export",
        "write_kit": "write", "write_report": "report"})
