"""The faces of the packages: what they offer is there, is what editors see, and costs nothing until it is used."""

from __future__ import annotations

import ast
import inspect
import subprocess
import sys
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path
from types import ModuleType

import pytest

import oneshot
from oneshot import pipeline
from oneshot.core.errors import OneshotError
from oneshot.core.lazy import face
from oneshot.kit.read import read_kit
from oneshot.session.open import open_session

PACKAGE = Path(oneshot.__file__).parent
FACES = ("analysis", "batch", "checking", "comparison", "config", "cutting", "kit", "review", "selection", "session")
BARE = ("audio", "core", "synth")
ALIKE = {"session": "session_path", "kit": "kit_path", "recipe": "recipe_path"}
"""What arguments of ``oneshot.build`` are called in ``pipeline.build``."""


def shown(name: str) -> Iterator[tuple[str, str, str]]:
    """(offered name, module, its name there) for each import that mypy and editors see in a face."""
    tree = ast.parse((PACKAGE / name / "__init__.py").read_text(encoding="utf-8"))
    for node in ast.walk(tree):
        if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING":
            for line in node.body:
                assert isinstance(line, ast.ImportFrom)
                yield from ((alias.asname or alias.name, str(line.module), alias.name) for alias in line.names)


def loaded(code: str) -> set[str]:
    """The modules that a fresh interpreter has after some code."""
    done = subprocess.run([sys.executable, "-c", f"{code}\nimport sys; print(' '.join(sys.modules))"], check=True,
                          capture_output=True, text=True, cwd=PACKAGE.parent)
    return set(done.stdout.split())


def test_every_package_has_a_face_or_is_bare() -> None:
    """No package is forgotten here."""
    there = {path.parent.name for path in PACKAGE.glob("*/__init__.py")}

    assert there - {"cli"} == {*FACES, *BARE}


@pytest.mark.parametrize("name", FACES)
def test_what_a_face_offers_is_what_editors_see(name: str) -> None:
    """Names, and the objects behind them, are those of the imports under TYPE_CHECKING."""
    package = import_module(f"oneshot.{name}")
    seen = {offered: getattr(import_module(module), there) for offered, module, there in shown(name)}

    assert package.__all__ == sorted(seen)
    assert [offered for offered, thing in seen.items() if getattr(package, offered) is not thing] == []
    assert set(package.__all__) <= set(dir(package))


@pytest.mark.parametrize("name", FACES)
def test_no_offered_name_is_a_module(name: str) -> None:
    """Once a submodule is imported Python takes it in place of what the face offers."""
    package = import_module(f"oneshot.{name}")
    modules = {path.stem for path in (PACKAGE / name).iterdir() if path.suffix == ".py" or path.is_dir()}

    assert set(package.__all__) & modules == set()
    assert [each for each in package.__all__ if isinstance(getattr(package, each), ModuleType)] == []


def test_modules_are_still_imported_by_name() -> None:
    """A module that is called as its function stays one, whatever was taken from the face before."""
    from oneshot.kit import remeasure, verify, verify_kit

    assert isinstance(verify, ModuleType)
    assert isinstance(remeasure, ModuleType)
    assert verify.verify_kit is verify_kit


@pytest.mark.parametrize("name", FACES)
def test_what_a_face_lacks_is_no_attribute(name: str) -> None:
    """A wrong name is an AttributeError or ImportError like that of any module."""
    package = import_module(f"oneshot.{name}")

    with pytest.raises(AttributeError, match=f"module 'oneshot.{name}' has no attribute 'nothing'"):
        _ = package.nothing
    with pytest.raises(ImportError, match="cannot import name 'nothing'"):
        exec(f"from oneshot.{name} import nothing")  # noqa: S102


def test_importing_faces_loads_nothing_that_takes_long() -> None:
    """All of them together bring the lazy pattern, errors and columns, nothing else of ours and no library."""
    before = loaded("")
    brought = loaded("\n".join(f"import oneshot.{name}" for name in FACES)) - before
    ours = {name for name in brought if name.split(".")[0] == "oneshot"}

    assert {"oneshot", *(f"oneshot.{name}" for name in FACES), "oneshot.core", "oneshot.core.lazy",
            "oneshot.core.columns", "oneshot.core.errors", "oneshot.core.version"} == ours
    assert {name.split(".")[0] for name in brought - ours} <= sys.stdlib_module_names


def test_a_face_loads_the_module_that_is_asked_for() -> None:
    """Recipes are read without the analysis, and without anything that reads sound."""
    brought = loaded("from oneshot.config import load_recipe")

    assert "oneshot.config.recipe_file" in brought
    assert {"scipy", "soundfile", "oneshot.analysis", "oneshot.config.corrections_file"} & brought == set()


def test_a_replaced_function_is_the_one_that_is_offered(monkeypatch: pytest.MonkeyPatch) -> None:
    """Faces remember nothing."""
    from oneshot import session

    assert session.open_session is open_session
    replaced: object = len
    monkeypatch.setattr("oneshot.session.open.open_session", replaced)

    assert session.open_session is replaced


def test_a_name_that_its_module_lacks_is_told() -> None:
    """A face that a change left behind says which module lacks what."""
    getter, _ = face("oneshot.core", {"gone": "errors"})

    with pytest.raises(AttributeError, match=r"module 'oneshot\.core\.errors' has no attribute 'gone'"):
        getter("gone")


# -------------------------------------------------------------------------------------------------------------- scripts


def test_build_takes_what_the_pipeline_takes() -> None:
    """Argument by argument with the same defaults; ``hold`` alone is for callers inside the package."""
    inner = inspect.signature(pipeline.build).parameters
    outer = inspect.signature(oneshot.build).parameters

    assert {ALIKE.get(name, name): (each.kind, each.default) for name, each in outer.items()} == {
        name: (each.kind, each.default) for name, each in inner.items() if name != "hold"}


def test_build_hands_on_every_argument(monkeypatch: pytest.MonkeyPatch) -> None:
    """Texts become paths, what is left out stays out, and the rest is passed as it came."""
    asked: list[object] = []

    def remembered(*given: object, **more: object) -> str:
        asked.append((given, more))
        return "built"

    monkeypatch.setattr(pipeline, "build", remembered)
    made: list[object] = [oneshot.build("a", Path("b")),
                          oneshot.build("a", "b", recipe="c", only="kick", fresh=True, jobs=3, progress=print,
                                        last="d", processed="e", prints_only=True)]

    nothing = {"recipe_path": None, "only": None, "fresh": False, "jobs": None, "progress": None, "last": None,
               "processed": None, "prints_only": False}
    assert made == ["built", "built"]
    assert asked == [((Path("a"), Path("b")), nothing),
                     ((Path("a"), Path("b")), {"recipe_path": Path("c"), "only": "kick", "fresh": True, "jobs": 3,
                                               "progress": print, "last": Path("d"), "processed": Path("e"),
                                               "prints_only": True})]


def test_a_folder_is_a_text_or_a_path(tmp_path: Path) -> None:
    """What goes wrong is the package's own error either way."""
    for path in (tmp_path / "nothing", str(tmp_path / "nothing")):
        with pytest.raises(OneshotError, match="nothing: no such folder"):
            oneshot.read_kit(path)
        with pytest.raises(oneshot.OneshotError, match="nothing does not exist"):
            oneshot.open_session(path)


def test_what_scripts_get_is_what_the_package_reads(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """``open_session`` and ``read_kit`` add nothing of their own."""
    monkeypatch.setattr("oneshot.session.open.open_session", lambda path: ("session", path))
    monkeypatch.setattr("oneshot.kit.read.read_kit", lambda path: ("kit", path))

    assert [oneshot.open_session("a"), oneshot.read_kit(tmp_path)] == [("session", Path("a")), ("kit", tmp_path)]
    assert read_kit is not oneshot.read_kit
