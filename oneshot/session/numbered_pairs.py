"""Numbered pairs: two overheads or rooms called 1 and 2, which are left and right only if they sound so.

"OH 1" and "OH 2" may as well be two mics: mono overheads over different halves of the kit, a near room and a far one.
So the names make them candidates, and what they recorded decides (``pair_audio.py``), once for the whole session: mics
of one name are the same in all takes. What session.toml says of a mic's pair or side is not asked again.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import islice
from pathlib import Path

from oneshot.core.errors import AudioError
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Mic, Problem, Take
from oneshot.session.mic_names import numbered
from oneshot.session.pair_audio import Likeness, likeness
from oneshot.session.session_file import FILE, MicEdit, SessionEdits, TakeEdit

_TAKES = 3
"""Candidates are listened to in the first takes of this number in which both are heard; most of them decide."""

Names = tuple[str, str]


def with_numbered_pairs(root: Path, takes: Sequence[Take], edits: SessionEdits, problems: list[Problem]) -> list[Take]:
    """The takes with numbered mics that sound like left and right made pairs; tells what was decided and why."""
    candidates = {names: pair for take in takes for names, pair in _candidates(take, edits).items()}
    out = list(takes)
    for names, pair in candidates.items():
        there = [names in _candidates(take, edits) for take in takes]
        heard = list(islice(_heard(root, [take for take, has in zip(takes, there, strict=True) if has], names), _TAKES))
        a_pair = 2 * sum(each.a_pair for each in heard) > len(heard)
        why = next((each.why for each in heard if each.a_pair == a_pair), "there is nothing to compare")
        if a_pair:
            out = [_paired(take, names, pair) if has else take for take, has in zip(out, there, strict=True)]
        problems.append(Problem(takes[there.index(True)].name,
                                f"{names[0]} and {names[1]} are treated as "
                                f"{'left and right of a pair' if a_pair else 'two mics and no pair'}: {why}",
                                f"say otherwise in {FILE} (pair and side) if that is wrong"))
    return out


def _candidates(take: Take, edits: SessionEdits) -> dict[Names, str]:
    """Names of mics that may be left and right of each other -> what the pair would be called."""
    groups: dict[str, list[tuple[int, str, Mic]]] = {}
    for mic in take.mics:
        found = numbered(mic.called)
        if found is not None:
            groups.setdefault(found[0].casefold(), []).append((found[1], found[0], mic))
    out: dict[Names, str] = {}
    for group in groups.values():
        numbers, names, mics = zip(*sorted(group, key=lambda each: each[0]), strict=True)
        if (numbers == (1, 2) and mics[0].role is mics[1].role and mics[0].role in (Role.OVERHEAD, Role.ROOM)
                and all(mic.pair is None and not _settled(take, mic, edits) for mic in mics)):
            out[mics[0].name, mics[1].name] = names[0]
    return out


def _settled(take: Take, mic: Mic, edits: SessionEdits) -> bool:
    """Whether session.toml says whether the mic is of a pair."""
    said = edits.takes.get(take.found, TakeEdit()).mics.get(mic.found, MicEdit())
    said = said.over(edits.mics.get(mic.found, MicEdit()))
    return said.pair is not None or said.side is not None


def _heard(root: Path, takes: Sequence[Take], names: Names) -> Iterator[Likeness]:
    """How alike both mics are, in each take in which both can be heard."""
    for take in takes:
        try:
            found = likeness(root, take, *map(take.mic, names))
        except AudioError:  # told with its frame by what reads the whole take
            continue
        if found is not None:
            yield found


def _paired(take: Take, names: Names, pair: str) -> Take:
    """The take with both mics made left and right."""
    sides = dict(zip(names, "LR", strict=True))
    return replace(take, mics=tuple(replace(mic, pair=pair, side=sides[mic.name]) if mic.name in sides else mic
                                    for mic in take.mics))
