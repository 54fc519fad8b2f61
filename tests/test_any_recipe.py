"""Whatever a build writes, verify accepts: recipes drawn at random from all that a recipe may say."""

from __future__ import annotations

import dataclasses
import shutil
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from oneshot import pipeline
from oneshot.config.recipe import SECTIONS, Finishing, PrintRecipe, Recipe
from oneshot.config.recipe_file import recipe_toml
from oneshot.core.errors import SettingsError
from oneshot.kit.release import pack_kit
from oneshot.kit.verify import verify, verify_kit

if TYPE_CHECKING:
    from stage_inputs import Pier

OWN = ("name", "drum", "mics", "tails")
"""Fields of a print that the test sets itself."""


def _value(item: dataclasses.Field[Any]) -> st.SearchStrategy[Any] | None:
    """All that a field may hold, the ends of its range above all; None for texts and tables, which are of no number."""
    low, high, choices, default = item.metadata["low"], item.metadata["high"], item.metadata["choices"], item.default
    if choices:
        return st.sampled_from(list(choices))
    if isinstance(default, bool):
        return st.booleans()
    if low is None or high is None:
        return None
    ends = st.sampled_from([low, high])
    if isinstance(default, int):
        return ends | st.integers(int(low), int(high))
    return (ends | st.floats(low, high) | st.floats(low, low + (high - low) / 10)).map(float)


@st.composite
def _records(draw: st.DrawFn, /, kind: type, own: tuple[str, ...] = (), **given: object) -> Any:
    """Settings of one kind with a few of their fields other than by default."""
    values: dict[str, Any] = dict(given)
    for item in dataclasses.fields(kind):
        strategy = _value(item) if "about" in item.metadata and item.name not in own else None
        if strategy is not None and draw(st.integers(0, 3)) == 0:
            values[item.name] = draw(strategy)
    try:
        return kind(**values)
    except SettingsError:  # fields that do not go together
        return kind(**given)


def _of_something(recipe: Recipe) -> Recipe:
    """The recipe, with samples where it asks for prints alone and has none."""
    if recipe.prints or recipe.export.samples:
        return recipe
    return dataclasses.replace(recipe, export=dataclasses.replace(recipe.export, samples=True))


RECIPES = st.builds(
    Recipe, **{name: _records(kind) for name, (kind, _) in SECTIONS.items()},
    prints=st.lists(_records(PrintRecipe, OWN, name="p", drum="kick"), max_size=1).map(tuple)).map(_of_something)

EXAMPLES = {
    "16 bit": Recipe(files=Finishing(bits="16")),
    "converted prints": Recipe(files=Finishing(sample_rate=48000), prints=(PrintRecipe(name="p", drum="kick"),)),
    "prints without fade": Recipe(prints=(PrintRecipe(name="p", drum="kick", fade_out_ms=0.0),)),
    "lite, no fade": Recipe(files=Finishing(lite=True), cut=dataclasses.replace(Recipe().cut, fade_out_ms=0.0))}
"""Recipes whose kits could not be released once."""


@pytest.fixture(autouse=True)
def _one_analysis(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    """What was found in the session is stored once for all recipes; nobody listens to the previews in packs."""
    def short(folder: Path, out: Path) -> None:
        out.write_bytes(next((folder / "samples").rglob("*.*")).read_bytes())

    monkeypatch.setenv("ONESHOT_CACHE", str(tmp_path_factory.getbasetemp() / "one analysis"))
    monkeypatch.setattr(pack_kit, "preview", short)


def _holds(pier: Pier, folder: Path, recipe: Recipe) -> None:
    """A kit of that recipe is built, is as it says, and can be packed."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    (folder / "recipe.toml").write_text(recipe_toml(recipe), encoding="utf-8")
    built = pipeline.build(pier.session, folder / "kit", recipe_path=folder / "recipe.toml", jobs=1)

    assert [] == verify_kit(folder / "kit")
    if built.kit.one_shots:
        pack_kit.pack_kit(folder / "kit", folder / "kit.zip", licence="cc0")
        assert [] == verify(folder / "kit.zip")


SMALLER = {"16 bit", "prints without fade"}
"""Examples whose faults the smaller session shows as well; the others need hits and mics that it does not have."""


@pytest.mark.parametrize(("session", "name"), [("jetty" if name in SMALLER else "pier", name) for name in EXAMPLES])
def test_kits_that_could_not_be_released_once(request: pytest.FixtureRequest, tmp_path: Path, session: str,
                                              name: str) -> None:
    """Each of these was built, and refused by verify and pack."""
    _holds(request.getfixturevalue(session), tmp_path / "r", EXAMPLES[name])


def test_a_mic_that_stopped_half_way_is_measured_as_it_was_cut(pier: Pier, tmp_path: Path) -> None:
    """The home mic ends before the take does: what a tail tells is told of what the file holds."""
    session = tmp_path / "session"
    shutil.copytree(pier.session, session)
    path = next(session.rglob("Kick In.wav"))
    x, rate = soundfile.read(path, dtype="int32")
    soundfile.write(path, x[:len(x) // 2], rate, "PCM_24")
    pipeline.build(session, tmp_path / "kit", jobs=1)

    assert [] == verify_kit(tmp_path / "kit")


@pytest.mark.full
@settings(max_examples=60, deadline=None, derandomize=True, database=None,
          suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
@given(recipe=RECIPES)
def test_whatever_a_recipe_says_the_kit_is_as_it_says(pier: Pier, tmp_path: Path, recipe: Recipe) -> None:
    """Build, verify and pack agree."""
    _holds(pier, tmp_path / "r", recipe)
