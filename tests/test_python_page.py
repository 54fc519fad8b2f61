"""The page on Python and the examples in docstrings: they run, and they show what comes out."""

from __future__ import annotations

import doctest
import re
import shutil
from importlib import import_module
from pathlib import Path

import pytest
from stage_inputs import Pier

from oneshot.kit import read_kit

ROOT = Path(__file__).resolve().parent.parent
PAGE = ROOT / "docs" / "python.md"
SHOWN = sorted(path for path in (ROOT / "oneshot").rglob("*.py") if ">>> " in path.read_text(encoding="utf-8"))


@pytest.fixture
def tuesday(pier: Pier, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder in which the examples run: the small session in it, under the name that they use."""
    shutil.copytree(pier.session / "pier", tmp_path / "Tuesday session" / "take 1")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def run(test: doctest.DocTest) -> tuple[int, str]:
    """How many examples there are, and what they print where that is not what is shown."""
    printed: list[str] = []
    runner = doctest.DocTestRunner(verbose=False)
    runner.run(test, out=printed.append, clear_globs=False)
    return runner.summarize(verbose=False).attempted, "".join(printed)


def test_the_page_does_what_it_shows(tuesday: Path) -> None:
    """Every example of docs/python.md, from top to bottom."""
    text = PAGE.read_text(encoding="utf-8")
    shown = re.findall(r"^```pycon\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)
    plain = re.sub(r"^```\w*$", "", text, flags=re.MULTILINE)  # a fence would be taken for what is printed

    done, differences = run(doctest.DocTestParser().get_doctest(plain, {}, PAGE.name, str(PAGE), 0))

    assert differences == ""
    assert done > 30
    assert done == sum(block.count("\n>>> ") + 1 for block in shown)
    assert read_kit(tuesday / "Tuesday kit").one_shots


@pytest.mark.parametrize("path", SHOWN, ids=lambda path: path.relative_to(ROOT / "oneshot").as_posix())
def test_docstrings_do_what_they_show(path: Path, tuesday: Path, pier: Pier) -> None:
    """Every example in the package, beside the session and a kit of it."""
    shutil.copytree(pier.folder, tuesday / "Tuesday kit")
    name = ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
    found = [test for test in doctest.DocTestFinder().find(import_module(name)) if test.examples]

    assert found
    for test in found:
        assert run(test)[1] == ""


def test_the_page_lists_what_the_packages_offer() -> None:
    """The last table is the faces of the packages, name by name."""
    rows = re.findall(r"^\| `oneshot\.(\w+)` \| (.*) \|$", PAGE.read_text(encoding="utf-8"), re.MULTILINE)
    faces = {path.parent.name for path in (ROOT / "oneshot").glob("*/__init__.py")
             if "face(__name__" in path.read_text(encoding="utf-8")}

    assert {name for name, _ in rows} == faces
    assert {name: sorted(re.findall(r"`(\w+)`", offers)) for name, offers in rows} == {
        name: import_module(f"oneshot.{name}").__all__ for name in faces}
