"""Writes the pages that the program itself knows: ``python tests/pages.py``. tests/test_docs.py holds them."""

from __future__ import annotations

import re
import sys
from pathlib import Path
from typing import Any

import typer

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from oneshot.cli import app
from oneshot.config.recipe import Recipe
from oneshot.config.recipe_file import recipe_toml

DOCS = Path(__file__).resolve().parent.parent / "docs"
COMMANDS = """# Commands

Written from the program itself by `python tests/pages.py`; change the program, not this page.

Results go to stdout; progress, warnings and errors to stderr. Progress shows on a terminal only. Colour is left out
where stdout is no terminal or `NO_COLOR` is set. `-h` and `--help` work everywhere; `oneshot --version` tells the
version.

| exit code | means |
|---|---|
| 0 | done; warnings included |
| 1 | the work could not be done, or `verify` found a difference: one line says what is wrong, where, what to do |
| 2 | wrong usage |
| 130 | interrupted |
"""
RECIPE = """# The recipe

Written from the program itself by `python tests/pages.py`; change the program, not this page.

`recipe.toml` says what you want out. Each kit holds the one it was built with, every value in it; change it there and
build again onto the kit, or give it to another session with `--recipe`. A key left out means its default. A key nobody
knows is told and has no effect; a bad value stops the build with one line that names the key, the limit and the value.

Three recipes come with the program; name one instead of a file:

- `--recipe playable`: a kit to play from pads or keys. Up to 8 layers of 6 alternates, whole rings, every mic to mix.
- `--recipe kick-replacement --only kick`: strokes that stand alone, and ranked prints of the kick's own mics that start
  within 0.1 ms of the attack and point upward; one print has its lows cut short after 90 ms.
- `--recipe free-pack`: fewer, cleaner files at 44.1 kHz and 24 bits, one trim for each drum so that its hardest stroke
  peaks at -1 dBTP. Then `oneshot pack`.

The kit holds the recipe with every value in it: change what you like there and build again.

For one great kick by a recipe of your own:

```toml
[[prints]]
name = "kick replacement"
drum = "kick"
length_ms = 400.0
ceiling_dbtp = -1.0

[prints.mics]
"Kick In" = { gain_db = 0.0 }
"Kick Out" = { gain_db = -3.0, align = true }
```

    oneshot build 'Tuesday session' 'Tuesday kick' --only kick --recipe kick.toml

All keys, with their defaults:

```toml
"""


def commands() -> dict[str, Any]:
    """Name -> command, in the order of the help."""
    return dict(typer.main.get_command(app).commands)  # type: ignore[attr-defined]


def commands_page() -> str:
    """docs/commands.md."""
    parts = [COMMANDS]
    for name, command in commands().items():
        own = [item for item in command.params if item.name != "help"]
        usage = " ".join(_usage(item) for item in own)
        rows = [f"| `{_name(item)}` | {_about(item)} |" for item in own]
        parts.append("\n".join([f"## oneshot {name}", "", _flat(command.help), "", f"    oneshot {name} {usage}", "",
                                "| argument or option | does |", "|---|---|", *rows, "", _flat(command.epilog), ""]))
    return "\n".join(parts)


def _flat(text: str) -> str:
    """Paragraphs on one line each; an example as code."""
    paragraphs = [" ".join(paragraph.split()) for paragraph in text.strip().split("\n\n")]
    return re.sub(r"(Example): (.+)", r"\1: `\2`", "\n\n".join(paragraphs))


def _is_argument(item: Any) -> bool:
    return str(item.param_type_name) == "argument"


def _name(item: Any) -> str:
    if _is_argument(item):
        return str(item.metavar)
    return f"{item.opts[0]} {item.metavar}" if item.metavar else str(item.opts[0])


def _usage(item: Any) -> str:
    return _name(item) if item.required else f"[{_name(item)}]"


def _about(item: Any) -> str:
    return " ".join(str(item.help).split())


def recipe_page() -> str:
    """docs/recipe.md."""
    lines = [line.rstrip() for line in recipe_toml(Recipe()).rstrip().split("\n")]
    return RECIPE + "\n".join(lines) + "\n```\n"


PAGES = {"commands.md": commands_page, "recipe.md": recipe_page}
"""File in docs/ -> what writes it."""

if __name__ == "__main__":
    for file, write in PAGES.items():
        (DOCS / file).write_text(write(), encoding="utf-8")
        print(f"wrote docs/{file}")
