"""How many files this process may have open: takes of many mics need more than some systems allow at first."""

from __future__ import annotations

import sys
from contextlib import suppress

if sys.platform != "win32":
    import resource

OPEN_FILES = 4096
"""So many files may be open at once, if the system lets a process have them: a session may have hundreds of takes, and
macOS gives 256 unless asked.
"""


def let_files_be_open() -> None:
    """Let this process have ``OPEN_FILES`` open, where the system has such a limit and lets it be raised."""
    if sys.platform == "win32":  # it has no such limit
        return
    now, most = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = OPEN_FILES if most == resource.RLIM_INFINITY else min(OPEN_FILES, most)
    if now != resource.RLIM_INFINITY and now < wanted:
        with suppress(OSError, ValueError):  # fewer have to do
            resource.setrlimit(resource.RLIMIT_NOFILE, (wanted, most))
