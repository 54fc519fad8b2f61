"""Stretches: what a person said of stretches of a take, wherever it was said, as labels in frames.

Three places: ``[[labels]]`` of session.toml; cue markers in the files, each of which holds from its place to the next
one, or to the end; and the names of a take and of the folders it lies in, which hold for all of it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path

from oneshot.chunks import read_markers
from oneshot.errors import SettingsError
from oneshot.model import Label, Problem, Take
from oneshot.roles import drum_of
from oneshot.session_toml import FILE, SessionEdits, quote, suggestion
from oneshot.vocabulary import Spoken, ends, parse

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
            raise SettingsError(f"{root / FILE}: {edit.where} does not say in which take: add "
                                f"take = {quote(takes[0].name)}")
        if wanted in edits.takes and wanted in names and wanted not in by_name:
            wanted = edits.takes[wanted].name or wanted
        take = by_name.get(wanted)
        if take is None:
            near = suggestion(wanted, by_name)
            hint = f"did you mean {quote(near)}?" if near else f"takes are {', '.join(map(quote, by_name))}"
            raise SettingsError(f"{root / FILE}: {edit.where}.take is {quote(wanted)}, which is no take: {hint}")
        start, stop = round(edit.from_s * take.sample_rate), min(round(edit.to_s * take.sample_rate), take.frames)
        if start >= take.frames:
            raise SettingsError(f"{root / FILE}: {edit.where}.from_s is {edit.from_s:g}, but {take.name} ends at "
                                f"{take.frames / take.sample_rate:.3f} s")
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
        problems.append(Problem(take.name, f"what cues of it say is not understood and has no effect: {shown}",
                                f'say what is played as in "snare rimshot left", or write [[labels]] into {FILE}'))
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
