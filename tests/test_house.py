"""The house itself: what lies at the top, what the files say of each other, and that nothing unfinished is in it."""

from __future__ import annotations

import fnmatch
import re
import subprocess
import tomllib
from pathlib import Path

import pytest

import oneshot

ROOT = Path(__file__).resolve().parent.parent
TOP = {"README.md", "DEVELOPERS.md", "pyproject.toml", "oneshot", "tests", "demo", "docs"}
IGNORED = [line.rstrip("/") for line in (ROOT / ".gitignore").read_text(encoding="utf-8").split() if line]
TEXTS = sorted(path for folder in ("oneshot", "tests", "demo", "docs", ".ci") for path in (ROOT / folder).rglob("*")
               if path.is_file() and not {"__pycache__", "out"} & set(path.parts))


def test_the_top_holds_what_it_may_and_nothing_else() -> None:
    """Seven entries and dotfiles; what tools leave behind is named in .gitignore."""
    there = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")}
    there = {name for name in there if not any(fnmatch.fnmatch(name, pattern) for pattern in IGNORED)}

    assert there == TOP


def test_the_version_is_one() -> None:
    """The package, its metadata and the newest entry of the change log say the same version."""
    newest = re.search(r"^## (\d+\.\d+\.\d+)", (ROOT / "docs/changelog.md").read_text(encoding="utf-8"), re.MULTILINE)
    metadata = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))

    assert newest is not None
    assert oneshot.__version__ == newest[1]
    assert metadata["project"]["dynamic"] == ["version"]


def test_every_dependency_has_its_reason() -> None:
    """Each library in pyproject.toml is explained in docs/dependencies.md."""
    metadata = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = metadata["optional-dependencies"].values()
    wanted = [*metadata["dependencies"], *(name for extra in extras for name in extra)]
    reasons = (ROOT / "docs/dependencies.md").read_text(encoding="utf-8")
    names = [re.split(r"[<>=\[]", name)[0] for name in wanted]

    assert len(names) > 10
    assert [] == [name for name in names if f"| {name} |" not in reasons]


@pytest.mark.parametrize("path", TEXTS, ids=lambda path: str(path.relative_to(ROOT)))
def test_nothing_is_left_for_later(path: Path) -> None:
    """No note to self, no function that only refuses, no path of one machine."""
    text = path.read_text(encoding="utf-8")
    marks = ["TO" + "DO", "FIX" + "ME", "X" * 3 + ":", "NotImplemented" + "Error", "/" + "work/", "/" + "opt/dev"]

    assert [] == [mark for mark in marks if mark in text]


@pytest.mark.parametrize("script", [".ci/run", "tests/run.sh", "demo/run.sh"])
def test_scripts_are_sound(script: str) -> None:
    """Each script that the documents name exists and parses."""
    shell = "bash" if script == ".ci/run" else "sh"

    done = subprocess.run([shell, "-n", str(ROOT / script)], capture_output=True, text=True, check=False)

    assert done.stderr == ""
    assert done.returncode == 0
