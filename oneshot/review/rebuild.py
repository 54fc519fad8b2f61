"""Rebuild: the kit made anew in the background, while the page shows how far it is.

While it runs nothing else may change the kit: what is decided meanwhile waits for it.
"""

from __future__ import annotations

import threading
import time
from typing import Any

from oneshot import pipeline
from oneshot.model import OneshotError
from oneshot.review.desk import Desk


class Rebuild:
    """Builds the desk's kit, one build at a time."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._start = threading.Lock()
        self._thread: threading.Thread | None = None
        self._told: dict[str, Any] = {"state": "idle", "stage": "", "share": 0.0, "seconds": 0.0, "error": None,
                                      "problems": []}

    @property
    def state(self) -> dict[str, Any]:
        """How far it is: state (idle, building, done, failed), stage, share, seconds, error, problems."""
        return dict(self._told)

    def begin(self) -> bool:
        """Start a build; False where one is running already."""
        with self._start:
            if self._thread is not None and self._thread.is_alive():
                return False
            self._told = {**self._told, "state": "building", "stage": "starting", "share": 0.0, "error": None,
                          "problems": []}
            self._thread = threading.Thread(target=self._run, name="build", daemon=False)
            self._thread.start()
            return True

    def wait(self) -> None:
        """Until no build runs."""
        thread = self._thread
        if thread is not None:
            thread.join()

    def _run(self) -> None:
        began = time.monotonic()
        try:
            with self._desk.lock:
                text = self._desk.journal.text
                result = pipeline.build(self._desk.session_path, self._desk.folder, progress=self._progress)
                self._desk.built(text)
            said = {"state": "done", "problems": [f"{p.where}: {p.what}; {p.todo}" for p in result.kit.problems]}
        except (OneshotError, OSError, MemoryError) as error:
            said = {"state": "failed", "error": str(error) or type(error).__name__}
        except Exception as error:  # noqa: BLE001 - the page must hear of whatever stopped the build
            said = {"state": "failed", "error": f"{type(error).__name__}: {error}"}
        self._told = {**self._told, **said, "seconds": round(time.monotonic() - began, 2)}

    def _progress(self, stage: str, share: float) -> None:
        self._told = {**self._told, "stage": stage, "share": round(min(max(share, 0.0), 1.0), 3)}
