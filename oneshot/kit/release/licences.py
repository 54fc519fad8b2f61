"""Licences that a pack can be released under: three that are offered, with their whole text, or the owner's own.

The texts of the two public licences are those that Creative Commons publishes as plain text, unchanged: CC0 as Debian's
base-files has it, CC BY as Debian's libuv1 has it, both held against the text in the SPDX list of licences. A test
keeps their sums.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

from oneshot.core.bounded_text import read_bounded
from oneshot.core.bounded_zip import MOST_TEXT
from oneshot.core.errors import SettingsError
from oneshot.core.text import one_line

CAUTION = ("Get the consent of everyone who played, recorded or wrote this: they may hold rights in it. This is no "
           "legal advice: local law and licensed professionals decide.")


@dataclass(frozen=True, slots=True)
class Offered:
    """A licence that comes with the program: its short name, the file of its text, where it is published (empty: only
    here), how people also write it, and whether whoever uses the work has to name its maker.
    """

    name: str
    file: str
    url: str = ""
    also: tuple[str, ...] = ()
    credit: bool = False

    @property
    def text(self) -> str:
        """The whole legal text."""
        return resources.files("oneshot.kit.release").joinpath("licence_texts", self.file).read_text(encoding="utf-8")


LICENCES: Mapping[str, Offered] = {
    "cc0": Offered("CC0 1.0 Universal", "cc0-1.0.txt", "https://creativecommons.org/publicdomain/zero/1.0/",
                   ("CC0-1.0", "CC0 1.0")),
    "cc-by-4.0": Offered("Creative Commons Attribution 4.0 International", "cc-by-4.0.txt",
                         "https://creativecommons.org/licenses/by/4.0/", ("CC BY 4.0",), credit=True),
    "music": Offered("For use in any music, not to be passed on as samples", "music.txt")}
"""Word on the command line -> the licence."""


def offered(said: str) -> Offered | None:
    """The licence that a text names, by its word, its short name or as people write it; None where it is another."""
    plain = " ".join(said.casefold().split())
    return next((each for word, each in LICENCES.items()
                 if plain in {word, each.name.casefold(), *(name.casefold() for name in each.also)}), None)


def licence_of(asked: str | None, said: str) -> tuple[str, str]:
    """Name and text of a licence: ``asked`` for on the command line, else ``said`` in the recipe.

    ``asked``: a word of ``LICENCES`` or the path of a text file. Raises SettingsError where none is stated or the file
    cannot be read.
    """
    words = asked or said
    if not words:
        raise SettingsError("no licence is stated: choose --licence cc0, cc-by-4.0, music or a text file of your own; "
                            "none is ever assumed")
    found = offered(words)
    if found is not None:
        return found.name, "\n\n".join([*([found.url] if found.url else []), found.text])
    if asked is None:
        return said, said
    if not Path(asked).is_file():
        raise SettingsError(f"--licence {asked}: no such file, and none of {', '.join(LICENCES)}")
    try:
        text = read_bounded(Path(asked), MOST_TEXT).decode("utf-8")
    except (OSError, ValueError) as error:
        raise SettingsError(f"{asked}: cannot be read as text ({error}); save it as UTF-8") from None
    name = next((one_line(line).strip() for line in text.splitlines() if line.strip()), "")
    if not name:
        raise SettingsError(f"{asked}: is empty; write the licence into it, its name in the first line")
    return name, text


def licence_file(name: str, text: str) -> str:
    """LICENCE.txt: the name, once, and the text as it is."""
    body = text.strip("\n")
    return f"{body}\n" if body.lstrip().startswith(name) else f"{name}\n\n{body}\n"
