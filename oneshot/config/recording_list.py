"""The recording list: what somebody wants to have recorded, by drum and articulation. ``USUAL`` is built in; a file has
a table for each line.

    [[wanted]]
    drum = "snare"            # a drum's name, or its kind: kick, snare, tom, hat, ride, crash
    articulation = "centre"   # left out: whichever is played
    hits = 80                 # that can be used; left out: 40
    tail_s = 5.0              # for how long each is to decay before the next; left out: 3.0
    span_db = 30.0            # from the softest to the hardest; left out: 24.0
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from oneshot.config.settings import TomlFile, check_fields, read_record, setting, unknown_key
from oneshot.core.bounded_text import parse_toml, read_toml
from oneshot.core.errors import SettingsError
from oneshot.core.files import reason
from oneshot.core.records.session import Problem
from oneshot.core.toml_lines import TomlLines


@dataclass(frozen=True, slots=True)
class Wanted:
    """One line of the list. Raises SettingsError for what nobody can mean."""

    drum: str = setting("", "A drum's name, or its kind: kick, snare, tom, hat, ride, crash.")
    articulation: str = setting("", "Of that drum; left out: the one that is played most.")
    hits: int = setting(40, "That can be used.", low=1, high=10_000)
    tail_s: float = setting(3.0, "For how long each is to decay before the next, seconds.", low=0, high=60)
    span_db: float = setting(24.0, "From the softest to the hardest, dB.", low=3, high=60)

    def __post_init__(self) -> None:
        check_fields(self, "wanted")
        if not self.drum:
            raise SettingsError("wanted.drum is missing: name a drum")


USUAL = (Wanted("kick", hits=40, tail_s=1.0), Wanted("snare", hits=80, tail_s=1.0, span_db=30.0),
         Wanted("tom", hits=40, tail_s=2.0), Wanted("hat", hits=40, tail_s=1.0), Wanted("ride", hits=40, tail_s=5.0),
         Wanted("crash", hits=20, tail_s=8.0))
"""How many hits make a kit, and how long their decay is wanted (common practice, no source)."""


def read_list(path: Path, problems: list[Problem]) -> tuple[Wanted, ...]:
    """A list from a TOML file; unknown keys go to ``problems``. Raises SettingsError for what is no list."""
    try:
        text = read_toml(path)
        table = parse_toml(text)
    except OSError as error:
        raise SettingsError(f"{path} cannot be read ({reason(error)}): give the file of the list, or usual for the one "
                            "built in") from None
    except ValueError as error:
        raise SettingsError(f"{path} is not valid TOML: {error}") from None
    lines = TomlLines(text)
    file = TomlFile(path.name, lines)
    problems += [unknown_key(file, (), name, ["wanted"]) for name in table if name != "wanted"]
    rows = table.get("wanted", [])
    if not isinstance(rows, list) or not rows:
        raise SettingsError(f"{path} wants nothing: write a [[wanted]] table for each drum")
    out = []
    for n, row in enumerate(rows):
        try:
            out.append(read_record(Wanted, row, ("wanted", n), file, problems))
        except SettingsError as error:
            raise SettingsError(f"{path}, line {lines.of('wanted', n)}: {error}") from None
    return tuple(out)
