"""``python -m oneshot`` and the command ``oneshot``: an interrupt is silent from the first import on."""

from __future__ import annotations

import os

INTERRUPTED = 130
"""What a shell says of a program that SIGINT ended: 128 and the signal's number."""


def run() -> None:
    """Run the command line; leaves by SystemExit with its exit code, or at once where it was interrupted."""
    try:
        from oneshot.cli import main  # noqa: PLC0415 - an interrupt may come while it is loaded

        main()
    except KeyboardInterrupt:
        _leave()
    except SystemExit as end:
        if end.code != INTERRUPTED:
            raise
        _leave()


def _leave() -> None:
    """End the process, interrupted, once all is said. Python itself would look again at where the interrupt came, and
    end by the signal.
    """
    os._exit(INTERRUPTED)


if __name__ == "__main__":
    run()
