"""The house itself: what lies at the top, what the files say of each other, and that nothing unfinished is in it."""

from __future__ import annotations

import ast
import fnmatch
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest
from importlinter.cli import EXIT_STATUS_SUCCESS, lint_imports
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

import oneshot

ROOT = Path(__file__).resolve().parent.parent
TOP = {"README.md", "DEVELOPERS.md", "pyproject.toml", "oneshot", "tests", "demo", "docs"}
IGNORED = [line.rstrip("/") for line in (ROOT / ".gitignore").read_text(encoding="utf-8").split() if line]
PACKAGE = ROOT / "oneshot"
MODULES = sorted(PACKAGE.rglob("*.py"))
SOUND_LIBRARIES = {"soundfile", "wave", "aifc", "sunau", "audioread", "scipy.io"}
TEXTS = sorted(path for folder in ("oneshot", "tests", "demo", "docs", ".ci") for path in (ROOT / folder).rglob("*")
               if path.is_file() and path.suffix != ".png" and not {"__pycache__", "out"} & set(path.parts))


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


def test_nothing_is_left_for_later() -> None:
    """No note to self, no function that only refuses, no path of one machine."""
    marks = ["TO" + "DO", "FIX" + "ME", "X" * 3 + ":", "NotImplemented" + "Error", "/" + "work/", "/" + "opt/dev"]

    assert [] == [(str(path.relative_to(ROOT)), mark) for path in TEXTS for mark in marks
                  if mark in path.read_text(encoding="utf-8")]


@pytest.mark.parametrize("script", [".ci/run", "tests/run.sh", "demo/run.sh"])
def test_scripts_are_sound(script: str) -> None:
    """Each script that the documents name exists and parses."""
    shell = "bash" if script == ".ci/run" else "sh"

    done = subprocess.run([shell, "-n", str(ROOT / script)], capture_output=True, text=True, check=False)

    assert done.stderr == ""
    assert done.returncode == 0


# ------------------------------------------------------------------------------------------------------------- packages


def test_imports_go_one_way(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """As the contracts in pyproject.toml have it, imports inside functions included."""
    monkeypatch.chdir(ROOT)

    assert lint_imports(no_cache=True) == EXIT_STATUS_SUCCESS, capsys.readouterr().out


def test_a_room_that_no_contract_names_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A new package, or an import against the order, does not go unseen."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.syspath_prepend(tmp_path)
    for name, text in (("house/__init__.py", ""), ("house/below.py", "from house import above"),
                       ("house/above.py", "")):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text(text, encoding="utf-8")
    contract = ('[importlinter]\nroot_package = house\n[importlinter:contract:1]\nname = order\ntype = layers\n'
                'containers = house\nexhaustive = true\nlayers =\n    above\n    below\n')
    (tmp_path / ".importlinter").write_text(contract, encoding="utf-8")

    assert lint_imports(no_cache=True) != EXIT_STATUS_SUCCESS


def _dotted(path: Path) -> str:
    """The module name of a file of the package: ``oneshot.kit.export.sfz``."""
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


@cache
def _tree(path: Path) -> ast.Module:
    """A source, parsed once."""
    return ast.parse(path.read_text(encoding="utf-8"))


def _imported(tree: ast.AST) -> Iterator[str]:
    """Names of all modules that a source imports."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def test_only_audio_touches_sound_files_and_only_the_command_line_prints() -> None:
    """Axis order and sample formats are turned in one place; a stage never writes to the terminal."""
    sounding, printing = [], []
    for path in MODULES:
        name, tree = _dotted(path), _tree(path)
        if not name.startswith("oneshot.audio"):
            sounding += [(name, each) for each in _imported(tree)
                         if any(each == library or each.startswith(f"{library}.") for library in SOUND_LIBRARIES)]
        if not name.startswith("oneshot.cli"):
            printing += [(name, node.lineno) for node in ast.walk(tree)
                         if (isinstance(node, ast.Name) and node.id == "print" and isinstance(node.ctx, ast.Load))
                         or (isinstance(node, ast.Attribute) and node.attr in {"stdout", "stderr", "echo"})]

    assert [] == sounding
    assert [] == printing


def test_everything_public_is_documented() -> None:
    """Module, classes and functions that others may call say what they do."""
    kinds = (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef)
    silent = []
    for path in MODULES:
        tree = _tree(path)
        places: list[ast.Module | ast.ClassDef] = [tree]
        places += [node for node in tree.body if isinstance(node, ast.ClassDef) and not node.name.startswith("_")]
        silent += [] if ast.get_docstring(tree) else [(_dotted(path), "")]
        silent += [(_dotted(path), node.name) for place in places for node in place.body
                   if isinstance(node, kinds) and not node.name.startswith("_") and not ast.get_docstring(node)]

    assert [] == silent


def test_every_test_says_what_it_promises() -> None:
    """A test's docstring is the promise it keeps."""
    silent = [(path.name, node.name) for path in sorted((ROOT / "tests").rglob("test_*.py"))
              for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
              if isinstance(node, ast.FunctionDef) and node.name.startswith("test_") and not ast.get_docstring(node)]

    assert [] == silent


def test_modules_that_docstrings_name_are_there() -> None:
    """By their path from the folder of whoever names them, or from one above it."""
    lost = [(_dotted(path), name) for path in MODULES
            for name in re.findall(r"``([\w/]+\.py)``", path.read_text(encoding="utf-8"))
            if not any((folder / name).is_file() for folder in path.parents if folder.is_relative_to(PACKAGE))]

    assert [] == lost


@pytest.mark.parametrize(("module", "forbidden"), [
    ("oneshot.analysis.detection.spectrogram", {"librosa", "numba", "sklearn", "pyloudnorm"}),
    ("oneshot.cli", {"librosa", "numba", "sklearn", "pyloudnorm", "scipy", "numpy", "soundfile", "soxr",
                     "fastjsonschema", "msgspec", "tomlkit"}),
])
def test_heavy_libraries_stay_out(module: str, forbidden: set[str]) -> None:
    """A worker that only scans, and --help, pay for nothing they do not use, however deep the import hides."""
    code = f"import sys, {module}; print(' '.join(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)

    assert set() == forbidden & set(done.stdout.split())


def test_every_library_has_bounds_and_the_list_of_versions_lies_within() -> None:
    """Lower and upper, but for those whose versions are dates; and what .ci/run tests with is what people may have."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    listed = {canonicalize_name(need.name): need for line in
              (ROOT / ".ci/constraints.txt").read_text(encoding="utf-8").splitlines()
              if line and not line.startswith("#") for need in [Requirement(line)]}
    for text in [*project["dependencies"], *(each for extra in project["optional-dependencies"].values()
                                             for each in extra)]:
        need = Requirement(text)
        signs = {each.operator for each in need.specifier}
        assert signs == ({">="} if need.name == "distributed" else {">=", "<"}), text
        if need.marker is None:
            (pinned,) = listed[canonicalize_name(need.name)].specifier
            assert need.specifier.contains(pinned.version), text
