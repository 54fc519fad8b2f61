"""Store: results on disk, beside the parameters and the source they came from.

One folder per session fingerprint in the user's cache folder (``ONESHOT_CACHE`` names another one). A result is a
JSON file with the parameters it was made with, and one .npy file per array, written first, so that a JSON file
without its arrays cannot exist. A result made from other files is in another folder; one made with other parameters,
or by another version of this format, is stale: it is told once and made anew, never used.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from collections.abc import Mapping
from dataclasses import dataclass, field
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import platformdirs
from numpy.typing import NDArray

from oneshot.core.files import write_atomic

VERSION = 1
"""Version of the layout of a stored result."""


@dataclass(slots=True)
class Store:
    """Results of one session.

    ``stale`` collects the names of results that were found but could not be used, ``unsaved`` of those that could not
    be stored: a full or locked cache folder slows the next build down and stops none.
    """

    folder: Path
    stale: list[str] = field(default_factory=list)
    unsaved: list[str] = field(default_factory=list)

    def load(self, name: str, params: Mapping[str, Any]) -> dict[str, NDArray[Any]] | None:
        """The arrays stored under that name with exactly these parameters, or None. Large arrays are mapped, not
        read.
        """
        try:
            record = json.loads((self.folder / f"{name}.json").read_text(encoding="utf-8"))
        except FileNotFoundError:
            return None
        except (OSError, ValueError):
            record = None
        files = record.get("arrays") if isinstance(record, dict) else None
        if not isinstance(files, dict) or record.get("version") != VERSION or record.get("params") != _plain(params):
            self.stale.append(name)
            return None
        try:
            return {key: np.load(self.folder / str(file), mmap_mode="r", allow_pickle=False)
                    for key, file in files.items()}
        except (OSError, ValueError, EOFError):  # EOFError: numpy's word for an empty file
            self.stale.append(name)
            return None

    def save(self, name: str, params: Mapping[str, Any], arrays: Mapping[str, NDArray[Any]]) -> None:
        """Store arrays under a name, replacing what was there; where the disk refuses, the name goes to ``unsaved``."""
        try:
            self._save(name, params, arrays)
        except OSError:
            self.unsaved.append(name)

    def _save(self, name: str, params: Mapping[str, Any], arrays: Mapping[str, NDArray[Any]]) -> None:
        """As ``save``; raises OSError."""
        self.folder.mkdir(parents=True, exist_ok=True)
        # the old record goes first: cut off from here on, it must not stand beside arrays made with other parameters
        (self.folder / f"{name}.json").unlink(missing_ok=True)
        files = {}
        for key, array in arrays.items():
            files[key] = f"{name}.{key}.npy"
            buffer = BytesIO()
            np.save(buffer, array, allow_pickle=False)
            write_atomic(self.folder / files[key], buffer.getvalue())
        record = {"version": VERSION, "params": _plain(params), "arrays": files}
        write_atomic(self.folder / f"{name}.json", json.dumps(record, sort_keys=True, indent=1))

    def clear(self) -> None:
        """Forget everything stored for this session."""
        shutil.rmtree(self.folder, ignore_errors=True)


def open_store(parts: list[tuple[str, int, int, str]]) -> Store:
    """The store of the session with these fingerprint parts (path, size, time, hash of head and tail of each file)."""
    digest = hashlib.sha256(json.dumps(sorted(parts)).encode()).hexdigest()
    return Store(cache_folder() / digest[:32])


def cache_folder() -> Path:
    """Where results of all sessions are stored."""
    given = os.environ.get("ONESHOT_CACHE")
    return Path(given) if given else Path(platformdirs.user_cache_dir("oneshot", appauthor=False))


def _plain(params: Mapping[str, Any]) -> Any:
    """Parameters as they come back from JSON, so that they can be compared."""
    return json.loads(json.dumps(params, sort_keys=True))
