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
where stdout is no terminal or `NO_COLOR` is set. `-h` and `--help` work everywhere; `oneshot --version` prints the
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

`recipe.toml` holds the settings of a kit. Each kit contains the one it was built with, with every value; change it
there and rebuild the kit, or use it with another session (`--recipe`). A key left out takes its default. An unknown key
is reported and ignored; an invalid value stops the build with one line that names the key, the limit and the value.

Three recipes come with the program; name one instead of a file:

- `--recipe playable`: a kit to play from pads or keys. Up to 8 layers of 6 round robins, full decay, every mic to mix.
- `--recipe replacement --only DRUM`: isolated hits, and prints of the drum's own mics, the best four of each velocity
  layer, that start within 0.1 ms of the attack with positive polarity, each also with a shorter decay. A kind (`tom`)
  prints all of its drums; lengths go by the kind. With `--prints-only` nothing else is written.
- `--recipe free-pack`: fewer, cleaner files at 44.1 kHz and 24 bits, one trim per drum so that its hardest hit peaks at
  -1 dBTP; its pack tells nothing of the recording. Fill in `[kit]` of the kit's recipe.toml, build again, then run
  `oneshot pack`.

A recipe of your own, for a single kick print:

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
