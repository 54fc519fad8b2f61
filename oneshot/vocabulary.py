"""What people write beside a recording, in a cue or as a take's name ("snare rim left hand soft"), to what they say.

One literal table of the trade's words (common practice, no source: drummers and engineers name strokes by habit). A
text means something only if every word of it is in the table, is the name of a drum, or is one of the few words that
say nothing; so "snare song", "ride home" and "Saturday" mean nothing, and nobody's title becomes a label. A new word:
one row.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass, fields

ROWS: tuple[tuple[str, str, str], ...] = (
    # drums: what they are called stands as it was written, number included; "" is the words that matched
    (r"(?:kick|bass) ?drum|kick|bd", "drum", "kick"),
    (r"(?:side|second|2 nd|aux|piccolo) snare(?: drum)?", "drum", "side snare"),
    (r"snare(?: drum)?|snares(?! o(?:n|ff)\b)|snr|sd", "drum", "snare"),
    (r"(?:hi|high) ?hats?|hats?|hh", "drum", "hat"),
    (r"ride(?: cymbals?)?(?: \d)?|(?:china|splash|crash)(?: cymbals?)?(?: \d| (?:left|right)(?! hand))?", "drum", ""),
    (r"(?:floor|rack)(?: toms?)?(?: \d{1,2})?|tom \d{1,2}|tom|(?:high|hi|mid|middle|low|lo) tom", "drum", ""),
    (r"cow ?bell|tambourine|(?:wood ?block|agogo|conga|bongo|timbale|shaker|triangle)s?", "drum", ""),
    # wires before drums: "snares off" is no snare drum
    (r"(?:snare )?wires? off|snares off|no (?:snare )?wires?|wires? (?:loose|thrown off)", "wires", "off"),
    (r"(?:snare )?wires? on|snares on|with (?:snare )?wires?", "wires", "on"),
    # tools, before "side stick" and the like
    (r"(?:with )?(?:wire )?brush(?:es)?", "tool", "brushes"),
    (r"(?:with )?(?:soft |felt |timpani )?mallets?", "tool", "mallets"),
    (r"(?:with )?(?:hot )?rods?|bundles?", "tool", "rods"),
    (r"with sticks?|sticks", "tool", "sticks"),
    # strokes
    (r"rim ?shots?", "articulation", "rimshot"),
    (r"(?:side|cross|x) ?sticks?|rim ?clicks?|rim ?knocks?", "articulation", "side-stick"),
    (r"(?:on )?(?:the )?rims?", "articulation", "rim"),
    (r"(?:in )?(?:the )?(?:centre|center|middle)", "articulation", "centre"),
    (r"(?:on )?(?:the )?edges?", "articulation", "edge"),
    (r"half ?open(?:ed)?|half ?closed", "articulation", "half-open"),
    (r"closed|tight", "articulation", "closed"),
    (r"open(?:ed)?", "articulation", "open"),
    (r"(?:with )?(?:the )?(?:foot|pedal)(?: close[ds]?)?|foot chicks?|chicks?", "articulation", "foot"),
    (r"bells?|cups?", "articulation", "bell"),
    (r"bows?", "articulation", "bow"),
    (r"flams?", "articulation", "flam"),
    (r"drags?|ruffs?", "articulation", "drag"),
    (r"rolls?|buzz(?: rolls?)?", "articulation", "roll"),
    # strengths
    (r"ghosts?(?: notes?)?|ghosted", "strength", "ghost"),
    (r"soft(?:ly)?|quiet(?:ly)?|light(?:ly)?", "strength", "soft"),
    (r"medium", "strength", "medium"),
    (r"hard|loud|accent(?:s|ed)?", "strength", "hard"),
    # hands
    (r"(?:with )?(?:the )?(?:left|lh)(?: hand(?:ed)?)?", "hand", "left"),
    (r"(?:with )?(?:the )?(?:right|rh)(?: hand(?:ed)?)?", "hand", "right"),
    # what says nothing
    (r"takes?|tk|hits?|strokes?|one ?shots?|samples?|singles?|slates?", "", ""),
    (r"only|again|more|and|with|the|of|at|hands?", "", ""),
    (r"velocit(?:y|ies)|dynamics|layers?|round robins?|set|series|part|pass|\d+", "", ""),
)
"""(pattern of whole words, what it says something of, what it says); at each word the longest match wins, of two as
long the upper row."""

ENDS = re.compile(r"(?:end|stop|done)(?: of .*)?")
"""A cue that says so ends the stretch before it and begins none."""

IMPLIED = {"rimshot": "snare", "side-stick": "snare", "half-open": "hat"}
"""Strokes that are played on one drum only, whether it is named or not."""

_COMPILED = tuple((re.compile(rf"(?:{pattern})(?= |$)"), key, value) for pattern, key, value in ROWS)


@dataclass(frozen=True, slots=True)
class Spoken:
    """What a text says of what is played; None: nothing.

    ``drum``: as it was written ("floor tom", "tom 1", "hi hat"); ``articulation``, ``hand``, ``wires``, ``tool`` and
    ``strength`` are the values of ``ROWS``.
    """

    drum: str | None = None
    articulation: str | None = None
    hand: str | None = None
    wires: str | None = None
    tool: str | None = None
    strength: str | None = None

    @property
    def names_a_stroke(self) -> bool:
        """Whether it says enough to be a label of a whole take: a drum, wires, or what it is struck with.

        "Open", "soft" or "ghost" alone are as likely the title of a song.
        """
        return self.drum is not None or self.wires is not None or self.tool is not None

    def over(self, below: Spoken) -> Spoken:
        """The same, what it leaves open taken from what another says, unless that speaks of another drum."""
        if self.drum is not None and below.drum is not None and self.drum != below.drum:
            return self
        return Spoken(*(getattr(self, f.name) if getattr(self, f.name) is not None else getattr(below, f.name)
                        for f in fields(self)))


def parse(text: str) -> Spoken | None:
    """What a text says; None where any word of it is unknown, or where it says nothing of what is played.

    Two drums in one text say nothing. Two strokes, hands or strengths leave that open ("hat closed and open" is a
    hat). Never raises.
    """
    rest = " ".join(_words(text))
    said: dict[str, set[str]] = {}
    while rest:
        found = [(match.end(), key, value or match.group()) for pattern, key, value in _COMPILED
                 if (match := pattern.match(rest)) is not None]
        if not found:
            return None
        length, key, value = max(found, key=lambda f: f[0])
        if key:
            said.setdefault(key, set()).add(value)
        rest = rest[length:].lstrip()
    if not said or len(said.get("drum", ())) > 1:
        return None
    one = {key: next(iter(values)) for key, values in said.items() if len(values) == 1}
    implied = IMPLIED.get(one.get("articulation", ""))
    if implied and "drum" not in said:
        one["drum"] = implied
    return Spoken(**one) if one else None


def ends(text: str) -> bool:
    """Whether a cue's text only says that what was said before is over."""
    return ENDS.fullmatch(" ".join(_words(text))) is not None


def articulation_of(text: str) -> str:
    """A person's word for a stroke as the table has it ("Cross Stick" is "side-stick"), else as it stands, hyphens for
    spaces.
    """
    found = parse(text)
    if found is not None and found.articulation is not None and found == Spoken(
            IMPLIED.get(found.articulation), found.articulation):
        return found.articulation
    return "-".join(text.split()).lower()


def _words(text: str) -> list[str]:
    """Lower-case words and numbers; camelCase is split, and a number from the word before it."""
    text = unicodedata.normalize("NFKC", text)
    text = re.sub(r"(?<=[a-z])(?=[A-Z])|(?<=[A-Za-z])(?=\d)|(?<=\d)(?=[A-Za-z])", " ", text)
    return re.findall(r"[^\W_]+", text.casefold())
