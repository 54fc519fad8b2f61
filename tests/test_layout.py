"""The shape of the package: which module may use which, who touches files and the terminal, how long things get.

The rows are read from the table in DEVELOPERS.md, so that what a newcomer reads is what is held.
"""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "oneshot"
MODULES = sorted(PACKAGE.rglob("*.py"))
PYTHON_FILES = sorted([*MODULES, *(ROOT / "tests").rglob("*.py"), *(ROOT / "demo").rglob("*.py")])
FREE = {"__init__", "py.typed"}
"""``oneshot/__init__.py`` holds the version and nothing else; every row may read it."""
SOUND_LIBRARIES = {"soundfile", "wave", "aifc", "sunau", "audioread", "scipy.io"}


def dotted(path: Path) -> str:
    """The module name of a file of the package: ``oneshot.kit.export.sfz``."""
    parts = path.relative_to(PACKAGE.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def entry(module: str) -> str:
    """The name under which the table knows a module: a package counts as one entry."""
    return module.split(".")[1] if "." in module else "__init__"


def read_rows(text: str) -> dict[str, int]:
    """Entry -> row, from lines like ``| 5 | `scan.py` `detect.py` | the stages |``."""
    rows: dict[str, int] = {}
    for number, names in re.findall(r"^\| (\d+) \| ((?:`[^`]+` ?)+)\|", text, flags=re.MULTILINE):
        for name in re.findall(r"`([^`]+)`", names):
            rows[name.removesuffix("/").removesuffix(".py")] = int(number)
    return rows


ROWS = read_rows((ROOT / "DEVELOPERS.md").read_text(encoding="utf-8"))


def imported(source: str, module: str, *, is_package: bool = False) -> Iterator[tuple[str, int]]:
    """(module name, line) of all that a source imports: hidden, relative, ``from oneshot import x`` and by string."""
    package = module if is_package else module.rpartition(".")[0]
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield alias.name, node.lineno
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                parents = package.split(".")[: len(package.split(".")) - node.level + 1]
                base = ".".join([*parents, base] if base else parents)
            for alias in node.names:
                yield f"{base}.{alias.name}", node.lineno
        elif isinstance(node, ast.Call) and node.args and isinstance(node.args[0], ast.Constant):
            called = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            if called in {"import_module", "__import__"} and isinstance(node.args[0].value, str):
                yield node.args[0].value, node.lineno


def imports_of(path: Path) -> list[tuple[str, int]]:
    """All imports of one file of the package."""
    return list(imported(path.read_text(encoding="utf-8"), dotted(path), is_package=path.stem == "__init__"))


def breaches(source: str, module: str, rows: dict[str, int], *, is_package: bool = False) -> list[str]:
    """Imports of the package's own modules that do not lie in a row above."""
    own, found = entry(module), []
    if own not in rows:
        return [f"{module} has no row in DEVELOPERS.md"]
    for name, line in imported(source, module, is_package=is_package):
        if name.split(".")[0] != "oneshot":
            continue
        other = entry(name)
        known = other in rows
        if other in {own, "__init__", "__version__"} or (known and rows[other] < rows[own]):
            continue
        found.append(f"{module}:{line} (row {rows[own]}) imports {name} (row {rows.get(other, 'unknown')})")
    return found


def test_the_table_names_every_module_and_nothing_else() -> None:
    """A module without a row, or a row without its module, is found."""
    there = {entry(dotted(path)) for path in MODULES} - FREE

    assert sorted(there) == sorted(ROWS)


@pytest.mark.parametrize("path", MODULES, ids=dotted)
def test_a_module_imports_only_from_rows_above_its_own(path: Path) -> None:
    """No stage knows another, nothing below the pipeline knows the pipeline, hidden imports included."""
    if entry(dotted(path)) in FREE:
        names = [name for name, _ in imports_of(path) if name.startswith("oneshot")]
        assert [] == names
        return

    found = breaches(path.read_text(encoding="utf-8"), dotted(path), ROWS, is_package=path.stem == "__init__")

    assert [] == found


@pytest.mark.parametrize("source", [
    "import oneshot.analysis.detection.arrivals",
    "from oneshot import align",
    "from oneshot.analysis.detection.arrivals import anything",
    "from . import align",
    "from .align import anything",
    "def f():\n    from oneshot import align as a",
    "def f():\n    import oneshot.analysis.detection.arrivals as a",
    "import importlib\nimportlib.import_module('oneshot.analysis.detection.arrivals')",
    "if False:\n    from oneshot.pipeline import build",
])
def test_the_reader_of_imports_sees_every_way_to_import(source: str) -> None:
    """Each way to reach a neighbour is seen, so the test above can fail."""
    assert len(breaches(source, "oneshot.analysis.detection.onsets", {"detect": 5, "align": 5, "pipeline": 8})) == 1


def test_the_reader_of_imports_follows_relative_names_out_of_a_package() -> None:
    """Two dots from inside a package reach the rows of the top."""
    rows = {"model": 1, "export": 7, "pipeline": 8}

    assert [] == breaches("from ..model import Kit\nfrom .keys import KEYS", "oneshot.kit.export.sfz", rows)
    assert len(breaches("from ..pipeline import build", "oneshot.kit.export.sfz", rows)) == 1
    assert len(breaches("from ..pipeline import build", "oneshot.kit.export", rows, is_package=True)) == 1


@pytest.mark.parametrize("path", [path for path in MODULES if path.name != "audio.py"], ids=dotted)
def test_only_audio_touches_sound_files(path: Path) -> None:
    """Axis order and sample formats are turned in one place."""
    found = [(name, line) for name, line in imports_of(path)
             if any(name == library or name.startswith(library + ".") for library in SOUND_LIBRARIES)]

    assert [] == found
    assert not re.search(r"\blibrosa\.(load|stream)\b", path.read_text(encoding="utf-8"))


@pytest.mark.parametrize("path", [path for path in MODULES if path.name != "cli.py"], ids=dotted)
def test_only_the_command_line_prints(path: Path) -> None:
    """A stage never writes to the terminal: print, sys.stdout, sys.stderr and typer.echo stand in cli.py alone."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    printing = [node.lineno for node in ast.walk(tree)
                if (isinstance(node, ast.Name) and node.id == "print" and isinstance(node.ctx, ast.Load))
                or (isinstance(node, ast.Attribute) and node.attr in {"stdout", "stderr", "echo"})]

    assert [] == printing


@pytest.mark.parametrize("path", PYTHON_FILES, ids=lambda path: str(path.relative_to(ROOT)))
def test_files_and_functions_stay_short(path: Path) -> None:
    """No file of 500 lines, no function of 60."""
    text = path.read_text(encoding="utf-8")
    long = [f"{node.name}: {(node.end_lineno or 0) - node.lineno + 1}" for node in ast.walk(ast.parse(text))
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
            and (node.end_lineno or 0) - node.lineno + 1 >= 60]

    assert text.count("\n") < 500
    assert [] == long


def test_nine_functions_of_ten_are_under_45_lines() -> None:
    """Long functions stay the exception."""
    lengths = sorted((node.end_lineno or 0) - node.lineno + 1
                     for path in MODULES for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
                     if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef))

    assert lengths[len(lengths) * 9 // 10] < 45


@pytest.mark.parametrize("path", MODULES, ids=dotted)
def test_everything_public_is_documented(path: Path) -> None:
    """Module, classes and functions that others may call say what they do."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    kinds = (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef)
    places: list[ast.Module | ast.ClassDef] = [tree]
    places += [node for node in tree.body if isinstance(node, ast.ClassDef) and not node.name.startswith("_")]
    silent = [node.name for place in places for node in place.body
              if isinstance(node, kinds) and not node.name.startswith("_") and not ast.get_docstring(node)]

    assert ast.get_docstring(tree)
    assert [] == silent


@pytest.mark.parametrize("path", sorted((ROOT / "tests").rglob("test_*.py")), ids=lambda path: path.stem)
def test_every_test_says_what_it_promises(path: Path) -> None:
    """A test's docstring is the promise it keeps."""
    silent = [node.name for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
              if isinstance(node, ast.FunctionDef) and node.name.startswith("test_") and not ast.get_docstring(node)]

    assert [] == silent


@pytest.mark.parametrize(("module", "forbidden"), [
    ("oneshot.analysis.detection.spectrogram", {"librosa", "numba", "sklearn", "pyloudnorm"}),
    ("oneshot.cli", {"librosa", "numba", "sklearn", "pyloudnorm", "scipy", "numpy", "soundfile", "soxr"}),
])
def test_heavy_libraries_stay_out(module: str, forbidden: set[str]) -> None:
    """A worker that only scans, and --help, pay for nothing they do not use, however deep the import hides."""
    code = f"import sys, {module}; print(' '.join(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)

    assert set() == forbidden & set(done.stdout.split())
