"""The documents: every command, key and link in them is real, and what the program knows is written from it."""

from __future__ import annotations

import dataclasses
import json
import re
import tomllib
from pathlib import Path

import pytest
from pages import COMMANDS, PAGES, commands

from oneshot.config.corrections_file import KINDS, parse
from oneshot.config.recipe import Recipe
from oneshot.config.recipe_file import load_recipe
from oneshot.core.records.roles import Role
from oneshot.kit.export import FORMATS

ROOT = Path(__file__).resolve().parent.parent
DOCS = sorted([ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / "docs").rglob("*.md")])


def text_of(name: str) -> str:
    """A document."""
    return (ROOT / name).read_text(encoding="utf-8")


def blocks(text: str, language: str) -> list[str]:
    """The fenced blocks of one language."""
    return re.findall(rf"^```{language}\n(.*?)^```$", text, flags=re.MULTILINE | re.DOTALL)


@pytest.mark.parametrize("name", sorted(PAGES))
def test_pages_written_from_the_program_are_up_to_date(name: str) -> None:
    """``python tests/pages.py`` would change nothing."""
    assert PAGES[name]() == text_of(f"docs/{name}")


def test_every_command_has_help_an_example_and_its_place() -> None:
    """Each command explains itself and every argument and option, shows an example of itself, and is in the docs."""
    page = text_of("docs/commands.md")

    assert len(commands()) >= 4
    for name, command in commands().items():
        assert command.help
        assert f"Example: oneshot {name} " in f"{command.epilog} "
        assert f"## oneshot {name}\n" in page
        assert [item.name for item in command.params if not item.help] == []
        assert "--debug" in [option for item in command.params for option in item.opts]


def test_examples_use_options_that_exist() -> None:
    """Every ``oneshot COMMAND --option`` in any document is one the program knows."""
    known = {name: {option for item in command.params for option in (*item.opts, *item.secondary_opts)}
             for name, command in commands().items()}
    found = 0
    for path in DOCS:
        text = path.read_text(encoding="utf-8")
        for name, rest in re.findall(r"\boneshot (\w+)((?: +(?:'[^'\n]*'|[\w./-]+))*)", text):
            if name not in known:
                continue
            found += 1
            assert set(re.findall(r"(?<=\s)--[a-z-]+", rest)) <= known[name] | {"--help"}, f"{path.name}: {name}{rest}"

    assert found > 10


@pytest.mark.parametrize("path", DOCS, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_links_lead_somewhere(path: Path) -> None:
    """Every link to a file of the project has its file."""
    links = re.findall(r"\]\(([^)#]+?)(?:#[^)]*)?\)", path.read_text(encoding="utf-8"))
    own = [link for link in links if not link.startswith("http")]

    assert [link for link in own if not (path.parent / link).exists()] == []


def test_the_readme_leads_to_every_page() -> None:
    """Nothing in docs/ is hidden."""
    linked = text_of("README.md") + text_of("DEVELOPERS.md") + text_of("docs/licence.md")

    assert [path.name for path in (ROOT / "docs").glob("*.md") if f"{path.name})" not in linked] == []


def test_the_page_of_pages_leads_to_every_page() -> None:
    """docs/README.md has each page of docs/ and of the folders in it once, under one need."""
    docs = ROOT / "docs"
    linked = re.findall(r"\]\(([\w/-]+\.md)\)", text_of("docs/README.md"))
    pages = [path.relative_to(docs).as_posix() for path in docs.rglob("*.md")]

    assert sorted(set(pages) - {"README.md"}) == sorted(linked)


def test_the_readme_sets_up_in_two_commands() -> None:
    """The first code block is two lines: scripts that are there and say what they need themselves."""
    block = text_of("README.md").split("## Two commands", 1)[1].split("\n\n")[1]

    assert ["sh demo/run.sh", "sh tests/run.sh"] == [line.split("#")[0].strip() for line in block.splitlines()]
    for script in ("demo/run.sh", "tests/run.sh"):
        assert "set_up" in text_of(script)


def test_recipes_in_the_docs_are_recipes(tmp_path: Path) -> None:
    """Each recipe shown loads without a complaint; the full one says the defaults."""
    shown = blocks(text_of("docs/recipe.md"), "toml")
    recipes = []
    for number, block in enumerate(shown):
        path = tmp_path / f"{number}.toml"
        path.write_text(block, encoding="utf-8")
        recipe, problems = load_recipe(path)
        assert problems == ()
        recipes.append(recipe)

    assert len(recipes) == 2
    assert recipes[0].prints[0].mics["Kick Out"].align
    assert recipes[1] == Recipe()


def test_the_corrections_in_the_docs_are_corrections() -> None:
    """Each file shown is read without a complaint, and together they show every kind of entry."""
    shown = [parse(block) for block in blocks(text_of("docs/corrections.md"), "toml")]

    assert {entry.kind for each in shown for entry in each.entries} == set(KINDS)


def test_the_session_file_in_the_docs_is_understood(tmp_path: Path) -> None:
    """The session.toml shown is TOML, and no key of it is unknown to the reader."""
    from oneshot.session.session_file import read_edits

    (shown,) = blocks(text_of("docs/session.md"), "toml")
    path = tmp_path / "session.toml"
    path.write_text(shown, encoding="utf-8")

    assert tomllib.loads(shown)["mics"]["OH L"]["polarity"] == -1
    assert list(read_edits(path).problems) == []


def test_every_role_and_grade_is_explained() -> None:
    """The glossary has a row for each role the program knows."""
    words = text_of("docs/words.md")

    assert [role for role in Role if f"| `{role}` |" not in words] == []
    assert all(f"| {grade}, " in words for grade in "ABC")


def test_the_manifest_page_names_real_fields() -> None:
    """Each top-level field in docs/kit.md's table is in the schema, and each of the schema's is in the table."""
    schema = json.loads(text_of("oneshot/kit/export/manifest.schema.json"))
    table = text_of("docs/kit.md").split("| field | holds |\n|---|---|\n")[1].split("\n\n")[0]
    fields = [name for row in table.splitlines() for name in re.findall(r"`([\w.\[\]]+)`", row.split("|")[1])]
    named = {re.split(r"[.\[]", name)[0] for name in fields}

    assert named == set(schema["properties"])


def test_the_page_of_formats_is_the_table_of_formats() -> None:
    """docs/kit.md lists what a kit is written as, row by row as ``export/__init__.py`` has it; no file of ``export/``
    that writes is missing from that table.
    """
    page = text_of("docs/kit.md").split("| format | what it is |\n|---|---|\n")[1].split("\n\n")[0]
    rows = [tuple(cell.strip() for cell in line.strip("|").split("|")) for line in page.splitlines()]

    assert [(row.name, row.about) for row in FORMATS] == rows
    writers = {path.stem for path in (ROOT / "oneshot" / "kit" / "export").glob("*.py")
               if re.search(r"^def write\(", path.read_text(encoding="utf-8"), flags=re.MULTILINE)}
    assert writers == {row.write.__module__.rsplit(".", 1)[1] for row in FORMATS}


def test_every_exit_code_is_told() -> None:
    """0, 1, 2 and 130."""
    assert re.findall(r"^\| (\d+) \|", COMMANDS, flags=re.MULTILINE) == ["0", "1", "2", "130"]


def test_every_section_of_the_recipe_is_shown() -> None:
    """No part of the recipe is missing from its page."""
    page = text_of("docs/recipe.md")

    assert [item.name for item in dataclasses.fields(Recipe) if f"[{item.name}]" not in page] == []


def test_every_module_that_a_page_names_is_there() -> None:
    """A path in the docs leads to a file of the package, of the tests or of the top."""
    there = [path.relative_to(ROOT).as_posix() for folder in ("oneshot", "tests", "demo") for path in
             (ROOT / folder).rglob("*.py")]
    named = {(page.name, name) for page in DOCS
             for name in re.findall(r"`((?:[a-z_]+/)*[a-z_]+\.py)`", page.read_text(encoding="utf-8"))}

    assert len(named) > 20
    assert [] == sorted((page, name) for page, name in named
                        if not any(f"/{path}".endswith(f"/{name}") for path in there))
