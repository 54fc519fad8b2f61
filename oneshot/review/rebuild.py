"""Rebuild: the kit made anew in the background, while the page shows how far it is.

While it runs nothing else may change the kit: what is decided meanwhile waits for it.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Mapping
from typing import Any

from oneshot import pipeline
from oneshot.config.corrections_file import Corrections, parse
from oneshot.config.recipe_file import load_recipe
from oneshot.core.cache.disk import open_store
from oneshot.core.errors import OneshotError
from oneshot.core.files import removing_later
from oneshot.review.state import Desk
from oneshot.session.open import fingerprint_parts

GRACE_S = 2.0
"""Before work ahead begins, so that a page that is just opening comes first."""


class Rebuild:
    """Builds the desk's kit, one build at a time.

    ``grades``: (take, onset) -> mic -> the grade a file of that hit would have; empty until the work ahead is done.
    """

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._at_work = threading.Lock()
        self._ending = threading.Event()
        self._ahead: threading.Thread | None = None
        self._awake = False
        self.grades: dict[tuple[str, int], Mapping[str, str]] = {}
        self._start = threading.Lock()
        self._thread: threading.Thread | None = None
        self._removals: list[threading.Thread] = []
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
        for thread in (self._thread, self._ahead, *self._removals):
            if thread is not None:
                thread.join()

    def start(self) -> None:
        """From now on, work ahead."""
        self._awake = True
        self.work_ahead()

    def end(self) -> None:
        """Stop working ahead, and wait for a build that runs."""
        self._awake = False
        self._ending.set()
        self.wait()

    def work_ahead(self) -> None:
        """In the background, analyse as the decisions so far ask for it, for the next build. Called at the start and
        after decisions; never more than one at a time.
        """
        if self._awake and (self._ahead is None or not self._ahead.is_alive()):
            self._ahead = threading.Thread(target=self._prepare, name="ahead", daemon=False)
            self._ahead.start()

    def _prepare(self) -> None:
        done: str | None = None
        self._ending.wait(GRACE_S)
        while not self._ending.is_set():
            with self._desk.lock:
                wanted = self._desk.journal.text
            if wanted == done:
                return
            done = wanted
            try:
                with self._at_work:
                    overruled = parse(wanted) if wanted.strip() else Corrections()
                    store = open_store(fingerprint_parts(self._desk.session))
                    recipe = self._desk.folder / "recipe.toml"
                    asked, _ = load_recipe(recipe if recipe.exists() else None)
                    found, _ = pipeline.analysed(self._desk.session, store, overruled, asked, jobs=1,
                                                 progress=self._stop_asked)
                    self._desk.analysed(overruled, found.hits)
                    self.grades = {(hit.take, hit.onset): found.graded(hit, self._desk.session.take(hit.take).mics)
                                   for hit in found.hits}
            except (OneshotError, OSError, MemoryError, InterruptedError):
                return  # the build itself will say what is wrong

    def _stop_asked(self, stage: str, share: float) -> None:
        """A progress that ends the work when the server ends."""
        del stage, share
        if self._ending.is_set():
            raise InterruptedError

    def _run(self) -> None:
        began = time.monotonic()
        try:
            self._told = {**self._told, "stage": "getting ready"}
            with self._at_work, removing_later() as removals, self._desk.lock:
                text = self._desk.journal.text
                began = time.monotonic()
                result = pipeline.build(self._desk.session_path, self._desk.folder, progress=self._progress,
                                        hold=False)
                self._desk.built(text)
                self._removals = [each for each in (*self._removals, *removals) if each.is_alive()]
            said = {"state": "done", "problems": [f"{p.where}: {p.what}; {p.todo}" for p in result.kit.problems]}
        except (OneshotError, OSError, MemoryError) as error:
            said = {"state": "failed", "error": str(error) or type(error).__name__}
        except Exception as error:  # noqa: BLE001 - the page must hear of whatever stopped the build
            said = {"state": "failed", "error": f"{type(error).__name__}: {error}"}
        self._told = {**self._told, **said, "seconds": round(time.monotonic() - began, 2)}

    def _progress(self, stage: str, share: float) -> None:
        self._told = {**self._told, "stage": stage, "share": round(min(max(share, 0.0), 1.0), 3)}
