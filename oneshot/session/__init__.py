"""Session: a folder of recordings, read: takes, mics and their roles, labels, processed tracks."""

from __future__ import annotations

from typing import TYPE_CHECKING

from oneshot.core.lazy import face

__all__ = ["Tracks", "draft_toml", "open_session", "open_tracks"]

if TYPE_CHECKING:
    from oneshot.session.open import open_session
    from oneshot.session.processed_tracks import Tracks, open_tracks
    from oneshot.session.session_file import draft_toml
else:
    __getattr__, __dir__ = face(__name__, {
        "Tracks": "processed_tracks", "draft_toml": "session_file", "open_session": "open",
        "open_tracks": "processed_tracks"})
