"""Ctrl-C at any moment from the first import of the command line on: exit code 130, and no traceback."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.skipif(sys.platform == "win32", reason="no such signals there")
@pytest.mark.parametrize(("module", "said"), [("oneshot.cli", ""), ("typer", ""), ("oneshot.cli.console", ""),
                                              ("oneshot.kit.verify", "oneshot: interrupted\n"),
                                              ("numpy", "oneshot: interrupted\n")])
@pytest.mark.parametrize("within", ["os.kill(os.getpid(), signal.SIGINT)",
                                    "exec('os.kill(os.getpid(), signal.SIGINT)')"])
def test_an_interrupt_is_silent_from_the_start(tmp_path: Path, module: str, said: str, within: str) -> None:
    """While that module is imported; also where Python itself, having run a text, would end by the signal again."""
    script = f"""
import os, signal, sys

signal.signal(signal.SIGINT, signal.default_int_handler)  # also where the tests run in the background

class At:
    def find_spec(self, name, path=None, target=None):
        if name == {module!r}:
            sys.meta_path.remove(self)
            {within}

sys.meta_path.insert(0, At())
from oneshot.__main__ import run
run()
"""
    done = subprocess.run([sys.executable, "-c", script, "verify", str(tmp_path)], cwd=ROOT, capture_output=True,
                          text=True, check=False)

    assert (130, "", said) == (done.returncode, done.stdout, done.stderr)
