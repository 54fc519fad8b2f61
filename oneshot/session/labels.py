"""Labels: what the user says of stretches of a take, from all sources, in frames; and the table of words by which text
is understood.

Three sources: ``[[labels]]`` of session.toml; cue markers in the files, each of which holds from its position to the
next one, or to the end; and the names of a take and of the folders it lies in, which hold for all of it.

Cues and names ("snare rim left hand soft") are read by one literal table of the trade's words (common practice, no
source: drummers and engineers name strokes by habit). A text counts only if every word of it is in the table, is the
name of a drum, or is one of the few filler words; so "snare song", "ride home" and "Saturday" mean nothing, and
nobody's title becomes a label. A new word: one row.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path

from oneshot.audio.riff import read_markers
from oneshot.core.records.session import Label, Problem, Take
from oneshot.session.mic_names import drum_of
from oneshot.session.session_file import FILE, SessionEdits, fault, key_shown, quote, suggestion

TOLD_BY = (FILE, "cue", "take name")
"""Where labels come from; what stands earlier outranks what stands later, and all of them what is computed."""


def sorted_labels(labels: Iterable[Label], takes: Sequence[Take]) -> tuple[Label, ...]:
    """Labels in the order of their takes and in time; of two that begin and end together, the stronger first."""
    order = [take.name for take in takes]
    return tuple(sorted(labels, key=lambda label: (order.index(label.take), label.start, label.stop,
                                                   TOLD_BY.index(label.told_by))))


def said_by_file(root: Path, edits: SessionEdits, takes: Sequence[Take], names: Sequence[str]) -> list[Label]:
    """The labels of session.toml in frames. SettingsError where one names no take or lies outside it."""
    labels = []
    for edit in edits.labels:
        by_name = {take.name: take for take in takes}
        wanted = edit.take
        if wanted is None and len(takes) == 1:
            wanted = takes[0].name
        if wanted is None:
            raise fault(root / FILE, edits.lines, edit.where, f"{key_shown(edit.where)} names no take: add "
                                                              f"take = {quote(takes[0].name)}")
        if wanted in edits.takes and wanted in names and wanted not in by_name:
            wanted = edits.takes[wanted].name or wanted
        take = by_name.get(wanted)
        if take is None:
            near = suggestion(wanted, by_name)
            hint = f"did you mean {quote(near)}?" if near else f"takes: {', '.join(map(quote, by_name))}"
            where = (*edit.where, "take")
            raise fault(root / FILE, edits.lines, where, f"{key_shown(where)} is {quote(wanted)}, which is not a take: "
                                                         f"{hint}")
        start, stop = round(edit.from_s * take.sample_rate), min(round(edit.to_s * take.sample_rate), take.frames)
        if start >= take.frames:
            where = (*edit.where, "from_s")
            raise fault(root / FILE, edits.lines, where, f"{key_shown(where)} is {edit.from_s:g}, but {take.name} ends "
                                                         f"at {take.frames / take.sample_rate:.3f} s")
        labels.append(Label(take.name, start, stop, edit.drum, edit.articulation, edit.hand, edit.wires, edit.strength,
                            edit.tool, FILE))
    return labels


def said_by_cues(root: Path, take: Take, problems: list[Problem]) -> list[Label]:
    """A label for each cue that says what is played, up to the next one or the take's end. Tells of what says nothing.

    A text that nobody understands may say that something else begins, so it ends the stretch before it, too; a cue
    without a text does nothing.
    """
    places = {(source.path, source.at) for mic in take.mics for source in mic.sources}
    cues = sorted({(at + marker.frame, " ".join(marker.label.split())) for path, at in places
                   for marker in read_markers(root / path) if marker.label.strip()})
    stops = [*(frame for frame, _ in cues[1:]), take.frames]
    labels, unclear = [], set()
    for (start, text), stop in zip(cues, stops, strict=False):  # without a cue there is a stop too many
        said = _understood(text)
        if said is not None and start < min(stop, take.frames):
            labels.append(_label(take, start, min(stop, take.frames), said, "cue"))
        elif said is None and not ends(text):
            unclear.add(text)
    if unclear:
        shown = ", ".join(map(quote, sorted(unclear)[:3])) + (" …" if len(unclear) > 3 else "")
        problems.append(Problem(take.name, f"cues not understood and ignored: {shown}",
                                f'write cues like "snare rimshot left", or add [[labels]] to {FILE}'))
    return labels


def said_by_names(take: Take, above: Sequence[str]) -> list[Label]:
    """A label over a whole take whose name, with those of the folders above it, says what is struck; else none."""
    said = Spoken()
    for name in (take.name, *reversed(above)):
        said = said.over(_understood(name) or Spoken())
    return [_label(take, 0, take.frames, said, "take name")] if said.names_a_stroke else []


def _understood(text: str) -> Spoken | None:
    """What a text says, its drum called as mics' names call it, so that "floor tom" is the drum of the mic "Floor"."""
    said = parse(text)
    return replace(said, drum=drum_of(said.drum)) if said is not None and said.drum is not None else said


def _label(take: Take, start: int, stop: int, said: Spoken, told_by: str) -> Label:
    return Label(take.name, start, stop, said.drum, said.articulation, said.hand, said.wires, said.strength, said.tool,
                 told_by)


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
