"""A session's mics and takes compared: the strokes that ``compare.py`` asks for are read, and made audible."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from itertools import count
from pathlib import Path

import numpy as np

from oneshot import compare
from oneshot.analyse import analyse
from oneshot.audio import TakeReader, write_wav
from oneshot.compare import View
from oneshot.corrections_toml import safe_name
from oneshot.errors import SettingsError
from oneshot.files import staged_folder
from oneshot.found import Analysis
from oneshot.hearing import Progress
from oneshot.model import Floats, Hit, Mic, Problem, Role, Session, Take
from oneshot.session import check_unchanged, fingerprint_parts, open_session
from oneshot.store import open_store
from oneshot.targets import check_outside_sessions

SUBTYPE = "PCM_24"
FAR = (Role.OVERHEAD, Role.ROOM, Role.BUS)


@dataclass(frozen=True, slots=True)
class Comparison:
    """Drums, each mic and take in its turn; ``excerpts``: file name -> gain (dB) that made it level with the others."""

    session: Session
    views: tuple[View, ...]
    excerpts: Mapping[str, float]
    problems: tuple[Problem, ...]


def compare_session(session_path: Path, *, out: Path | None = None, fresh: bool = False, jobs: int = 1,
                    progress: Progress) -> Comparison:
    """Compare a session's mics and takes; ``out``: a new folder for level-matched excerpts to listen to.

    Raises an error of the tree in ``errors.py``; SettingsError where ``out`` exists and is not empty, or lies inside
    the session. No folder is left behind then.
    """
    session = open_session(session_path)
    if out is not None:
        _check(out, session)
    parts = fingerprint_parts(session)
    check_unchanged(session, parts)
    store = open_store(parts)
    if fresh:
        store.clear()
    found = analyse(session, store=store, jobs=jobs, progress=progress)
    views: list[View] = []
    sounds: dict[str, dict[str, tuple[Floats, int]]] = {}
    used: set[str] = set()
    for drum, way in compare.usual_ways(found.hits).items():
        hits = [h for h in found.hits if (h.drum, h.articulation) == (drum, way)]
        for take, mine in compare.like_strength(hits).items():
            progress("comparing", len(views) / max(1, len(found.drums) * len(session.takes)))
            seen, heard = _take(session, session.take(take), found, mine)
            views += seen
            for mic, x in heard.items():
                sounds.setdefault(drum, {})[_free(f"{safe_name(drum)}_{safe_name(take)}_{safe_name(mic)}", used)] = x
    gains: dict[str, float] = {}
    if out is not None:
        with staged_folder(out) as stage:
            for drum in sorted(sounds):
                gains |= _write(stage, sounds[drum])
            check_unchanged(session, parts)
    order = {d.name: n for n, d in enumerate(found.drums)}
    takes = {t.name: n for n, t in enumerate(session.takes)}
    ordered = sorted(views, key=lambda v: (order[v.drum], _mic_rank(session, v), takes[v.take]))
    return Comparison(session, tuple(ordered), gains, (*session.problems, *found.problems))


def _check(out: Path, session: Session) -> None:
    """Raise SettingsError where excerpts must not be written."""
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise SettingsError(f"{out} exists and is not empty: choose a new folder")
    if out.resolve().is_relative_to(session.root.resolve()) or session.root.resolve().is_relative_to(out.resolve()):
        raise SettingsError(f"{out} and the session lie inside each other: choose a folder elsewhere")
    check_outside_sessions(out)


def _free(name: str, used: set[str]) -> str:
    """The name, or the first free one after it where mics or takes are called alike but for signs."""
    free = next(each for again in count(1) if (each := name if again == 1 else f"{name}-{again}") not in used)
    used.add(free)
    return free


def _mic_rank(session: Session, view: View) -> tuple[int, str]:
    """Mics in the session's order: what compares takes stands together."""
    names = list(dict.fromkeys(mic.name for take in session.takes for mic in take.mics))
    return names.index(view.mic), view.mic


def mics_of(take: Take, drum: str) -> tuple[Mic, ...]:
    """The mics in which a drum is compared: its own close mics, overheads, rooms and buses."""
    return tuple(mic for mic in take.mics if mic.stands_at(drum) or mic.role in FAR)


def _take(session: Session, take: Take, found: Analysis,
          hits: Sequence[Hit]) -> tuple[list[View], dict[str, tuple[Floats, int]]]:
    """One drum in all mics of one take, and excerpts by mic (audio (1, frames), sample rate)."""
    mics = mics_of(take, hits[0].drum) or tuple(m for m in take.mics if m.role is Role.CLOSE)
    rate = take.sample_rate
    noise = next((n.noise_dbfs for n in found.noise if n.take == take.name), {})
    lead, length = round(compare.LEAD_S * rate), round(compare.PLAYED_S * rate)
    views, heard = [], {}
    with TakeReader(session.root, take, [m.name for m in mics], dtype="float64",
                    offset=found.offsets.get(take.name)) as reader:
        for row, mic in enumerate(mics):
            chosen, clean = compare.cleanest(hits, mic.name)
            strokes = []
            for hit in chosen:
                start = _arrival(hit, mic.name)
                follows = found.next_stroke(hit, [mic.name], rate)
                x = reader.read(start - lead, start + length)[row]
                strokes.append((np.asarray(x, np.float64), length if follows is None else follows - start + lead))
            views.append(compare.view(hits[0], mic.name, str(mic.role), [x[lead:] for x, _ in strokes], rate,
                                      clean=clean, noise_dbfs=noise.get(mic.name)))
            heard[mic.name] = compare.excerpt(strokes, rate), rate
    return views, heard


def _arrival(hit: Hit, mic: str) -> int:
    """Where a stroke arrives in a mic; the first onset anywhere where that is not known."""
    told = hit.onsets.get(mic)
    return hit.onset if told is None else told


def _write(folder: Path, sounds: Mapping[str, tuple[Floats, int]]) -> dict[str, float]:
    """One drum's excerpts, level with each other; file name -> gain in dB. Silent ones are left out."""
    gains = compare.matching_gains({name: x for name, (x, _) in sounds.items()},
                                   {name: rate for name, (_, rate) in sounds.items()})
    out = {}
    for name, gain in gains.items():
        x, rate = sounds[name]
        write_wav(folder / f"{name}.wav", x * 10 ** (gain / 20), rate, SUBTYPE)
        out[f"{name}.wav"] = round(gain, 2)
    return out


def record(found: Comparison) -> dict[str, object]:
    """A comparison as plain types, figures rounded, for programs and for the lines that people read."""
    def rounded(value: object) -> object:
        """The same, numbers of any depth rounded to two places."""
        if isinstance(value, tuple):
            return [rounded(each) for each in value]
        return round(value, 2) + 0.0 if isinstance(value, float) else value

    return {"session": found.session.name, "octaves_hz": [round(hz, 1) for hz in compare.CENTRES_HZ],
            "views": [{name: rounded(value) for name, value in asdict(view).items()} for view in found.views],
            "excerpts": dict(found.excerpts), "problems": [asdict(problem) for problem in found.problems]}
