"""What repair does to the hit and to everything else, on sessions of which every stroke is known, as one table.

    python -m tests.repairs [NAMES] [--folder DIR] [--out FILE]

Every hit that is found is repaired in its own close mics, the overheads and the rooms, whether it would be kept or not;
what is done is then done to the stroke alone and to all the rest alone. ``--folder`` as in ``tests.evaluation``.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(1, str(Path(__file__).parent.parent))

import evaluation
from known_strokes import Alone, Signal

from oneshot.analysis.complete import completed
from oneshot.analysis.result import Analysis
from oneshot.analysis.run import analyse
from oneshot.audio.io import TakeReader
from oneshot.config.recipe import Repairing
from oneshot.core.cache.disk import open_store
from oneshot.core.records.hits import Hit
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Mic, Session, Take
from oneshot.cutting import repair
from oneshot.cutting.repair_plan import Mender, Window
from oneshot.session.open import fingerprint_parts, open_session

NAMES = ("five", "eight", "thirteen", "real")
LOW_DB, HIGH_DB, CLEAR_DB = -5.0, 15.0, 20.0
"""Input ratios of hit to rest in which suppression is held to its figures, and above which it must do nothing."""
PRE_S, GUARD_S, LONGEST_S, SHORTEST_S = 0.004, 0.002, 0.6, 0.05
SAME_S = 0.01
ASKED = Repairing(filters=True, tails=True, suppression=True)


@dataclass(frozen=True, slots=True)
class Case:
    """One hit in one mic: the stroke alone, all the rest, and what is known of the window."""

    mender: Mender
    take: Take
    mic: Mic
    window: Window
    stroke: Signal
    rest: Signal
    moments: repair.Moments


@dataclass(frozen=True, slots=True)
class Change:
    """What one repair did: ``sir_db`` before and after of the part it worked on, ``sdr_db`` (SI-SDR against the stroke)
    before and after; ``whole_db``: hit against rest over the whole file; ``done``: whether anything was.
    """

    whole_db: float
    done: bool
    sir_db: tuple[float, float]
    sdr_db: tuple[float, float]
    same_head: bool = True


def db(power: float) -> float:
    """10·log10, floored."""
    return float(10 * np.log10(max(power, 1e-20)))


def sir_db(stroke: Signal, rest: Signal) -> float:
    """Ratio of the energies of hit and rest, dB."""
    return db(float(np.sum(stroke**2))) - db(float(np.sum(rest**2)))


def si_sdr_db(found: Signal, stroke: Signal) -> float:
    """Scale-invariant ratio of signal to distortion, dB (Le Roux et al. 2019, from memory)."""
    wanted = float(found @ stroke) / max(float(stroke @ stroke), 1e-30) * stroke
    return sir_db(wanted, found - wanted)


def analysed(name: str, folder: Path) -> tuple[Session, Analysis, Mapping[str, Any]]:
    """A session of the evaluation, rendered if need be, and what is found in it."""
    known = evaluation.rendered(name, folder / name, evaluation.fingerprint(name))
    session = open_session(folder / name / "session")
    found = analyse(session, store=open_store(fingerprint_parts(session)), progress=lambda stage, share: None)
    return session, completed(session, found), known


def cases(name: str, folder: Path, step: int = 1) -> Iterator[Case]:
    """Every ``step``-th hit that is found and known, in each mic it would be exported in."""
    session, found, known = analysed(name, folder)
    mender = Mender(found, ASKED)
    for take in session.takes:
        alone = Alone(name, take.name, known[take.name])
        with TakeReader(session.root, take, dtype="float64") as reader:
            for hit, number in list(_matched(found, known[take.name], take))[::step]:
                window = _window(found, hit, take)
                if window.frames < SHORTEST_S * take.sample_rate:
                    continue
                audio = reader.read(window.start, window.start + window.frames)
                for row, mic in enumerate(take.mics):
                    if mic.name not in alone.mics or not _exported(mic, hit):
                        continue
                    moments = mender.moments(take, mic, audio[row], window)
                    if moments is not None:
                        stroke = alone(number, mic.name, window.start, window.frames)
                        yield Case(mender, take, mic, window, stroke, audio[row] - stroke, moments)


def _exported(mic: Mic, hit: Hit) -> bool:
    return mic.stands_at(hit.drum) or mic.role in (Role.OVERHEAD, Role.ROOM)


def _matched(found: Analysis, known: Mapping[str, Any], take: Take) -> Iterator[tuple[Hit, int]]:
    """Hits of a take and the numbers of the strokes they are: same drum, and within 10 ms; a "cymbal" is any."""
    drums = {t["drum"] for t in known["hits"]}
    for hit in found.hits:
        same = {hit.drum} if hit.drum in drums else drums & {"crash", "ride"} if "cymbal" in hit.drum else set()
        near = [(abs(t["first"] - hit.onset), t["id"]) for t in known["hits"] if t["drum"] in same
                and abs(t["first"] - hit.onset) < SAME_S * take.sample_rate]
        if hit.take == take.name and near:
            yield hit, min(near)[1]


def _window(found: Analysis, hit: Hit, take: Take) -> Window:
    """A file's window: from just before the hit to just before the next stroke."""
    rate, names = take.sample_rate, [m.name for m in take.mics]
    start, following = hit.onset - round(PRE_S * rate), found.next_stroke(hit, names, rate)
    stop = min(start + round(LONGEST_S * rate), take.frames)
    if following is not None:
        stop = min(stop, following - round(GUARD_S * rate))
    return Window(hit, start, found.attacks[hit.id] - start, max(stop - start, 0))


# ------------------------------------------------------------------------------------------------------------- repairs


def suppressed(case: Case) -> Change:
    """What suppression does to one case."""
    mask = case.mender.mask(case.take, case.mic, case.moments, case.window, case.window.frames)
    return _change(case, mask is not None, 0, lambda x: x if mask is None else repair.apply_mask(
        x, mask, case.take.sample_rate))


def filtered(case: Case) -> Change:
    """What filters do to one case, over its tail."""
    rate = case.take.sample_rate
    made = repair.plan_filters(case.moments, attack=case.window.attack, frames=case.window.frames, sample_rate=rate)

    def run(x: Signal) -> Signal:
        for each in made:
            x = repair.apply_filter(x, each, rate)
        return x

    return _change(case, bool(made), case.window.attack + round(repair.KEEP_S * rate), run)


def _change(case: Case, done: bool, first: int, run: Any) -> Change:
    stroke, rest = run(case.stroke), run(case.rest)
    both, whole = case.stroke + case.rest, sir_db(case.stroke, case.rest)
    part = slice(first, None)
    same = bool(np.array_equal(run(both)[:first], both[:first]))
    if first >= len(both) or not done:
        before = sir_db(case.stroke[part], case.rest[part]) if first < len(both) else 0.0
        return Change(whole, False, (before, before), (before, before), same)
    return Change(whole, done, (sir_db(case.stroke[part], case.rest[part]), sir_db(stroke[part], rest[part])),
                  (si_sdr_db(both[part], case.stroke[part]), si_sdr_db((stroke + rest)[part], case.stroke[part])), same)


@dataclass(frozen=True, slots=True)
class Grafted:
    """What another hit's tail did from its joint on: ratio of hit to rest of the recording as it goes on, and with the
    tail, dB; ``level_db``: over the joint, the hit's sound as made against its own ring; ``same_head``: the file up to
    the joint is unchanged.
    """

    sir_db: tuple[float, float]
    level_db: float
    same_head: bool


Placed = dict[int, tuple[Take, Hit, Alone, int]]
"""Hit id -> its take, itself, that take's strokes, and which of them it is."""


def grafts(name: str, folder: Path, step: int = 1) -> Iterator[Grafted]:
    """Every ``step``-th hit whose ring the next stroke cuts short and for which another hit lends its tail."""
    session, found, known = analysed(name, folder)
    mender = Mender(found, ASKED)
    placed: Placed = {}
    for take in session.takes:
        alone = Alone(name, take.name, known[take.name])
        placed |= {hit.id: (take, hit, alone, n) for hit, n in _matched(found, known[take.name], take)}
    with ExitStack() as stack:
        readers = {t.name: stack.enter_context(TakeReader(session.root, t, dtype="float64")) for t in session.takes}
        for take, hit, alone, _ in list(placed.values())[::step]:
            mics = [m for m in take.mics if _exported(m, hit) and m.name in alone.mics]
            window = _window(found, hit, take)
            donors = mender.donors(hit, [m.name for m in mics], window.frames - window.attack, take.sample_rate)
            lent = [d.id for d in donors if d.id in placed][:1]
            if lent and SHORTEST_S < window.frames / take.sample_rate < LONGEST_S:
                every = (_graft(mender, mic, readers, window, placed[hit.id], placed[lent[0]]) for mic in mics)
                yield from (made for made in every if made is not None)


def _graft(mender: Mender, mic: Mic, readers: Mapping[str, TakeReader], window: Window,
           mine: tuple[Take, Hit, Alone, int], theirs: tuple[Take, Hit, Alone, int]) -> Grafted | None:
    """One mic of one hit gone on in another's tail."""
    take, other_take, found, rate = mine[0], theirs[0], mender.analysis, mine[0].sample_rate
    begin = found.attacks[theirs[1].id] - window.attack
    following = found.next_stroke(theirs[1], [m.name for m in other_take.mics], rate)
    stop = other_take.frames if following is None else following - round(GUARD_S * rate)
    frames = min(stop - begin, 2 * window.frames)
    x = readers[take.name].read(window.start, window.start + frames)[take.index(mic.name)]
    tail = readers[other_take.name].read(begin, begin + frames)[other_take.index(mic.name)]
    moments = mender.moments(take, mic, x[: window.frames], window)
    graft = None if moments is None else repair.plan_graft(
        x[: window.frames], tail, moments, attack=window.attack, stop=window.frames, sample_rate=rate)
    if graft is None:
        return None
    stroke = mine[2](mine[3], mic.name, window.start, frames)
    other = theirs[2](theirs[3], mic.name, begin, frames)
    own = repair.apply_graft(stroke[: window.frames], other, graft, frames)
    rest = repair.apply_graft((x - stroke)[: window.frames], tail - other, graft, frames)
    both = repair.apply_graft(x[: window.frames], tail, graft, frames)
    part, level = slice(graft.joint, None), slice(graft.joint, graft.joint + graft.length)
    return Grafted((sir_db(stroke[part], (x - stroke)[part]), sir_db(own[part], rest[part])),
                   sir_db(own[level], stroke[level]), bool(np.array_equal(both[: graft.joint], x[: graft.joint])))


@dataclass(frozen=True, slots=True)
class Summary:
    """Figures of a repair over some cases; ``lower``: share of SI-SDR no lower; ``touched_clear``: files changed though
    the hit stands 20 dB clear.
    """

    cases: int
    done: int
    gain_db: float | None
    gain_all_db: float | None
    no_lower: float | None
    sdr_gain_db: float | None
    clear: int
    touched_clear: int


def summary(changes: Sequence[Change], low_db: float = LOW_DB, high_db: float = HIGH_DB) -> Summary:
    """Over the cases with an input ratio from ``low_db`` to ``high_db``; gains are medians."""
    inside = [c for c in changes if low_db <= c.sir_db[0] <= high_db]
    done = [c for c in inside if c.done]
    clear = [c for c in changes if c.whole_db > CLEAR_DB]
    gain = [c.sir_db[1] - c.sir_db[0] for c in done]
    sdr = [c.sdr_db[1] - c.sdr_db[0] for c in done]
    every = [c.sir_db[1] - c.sir_db[0] for c in inside]
    return Summary(len(inside), len(done), _median(gain), _median(every),
                   float(np.mean(np.array(sdr) >= -1e-9)) if sdr else None, _median(sdr), len(clear),
                   sum(c.done for c in clear))


def _median(values: Sequence[float]) -> float | None:
    return float(np.median(values)) if values else None


def tables(names: Sequence[str], folder: Path, step: int = 1) -> Iterator[str]:
    """The lines of both tables, as they are measured."""
    yield ("| session | repair | cases | done | SIR gain where done, dB | over all, dB | SI-SDR no lower | "
           "its gain, dB | 20 dB clear | of them changed |")
    yield "|" + "---|" * 10
    suppressions, filters = list[Change](), list[Change]()
    for name in names:
        every = list(cases(name, folder, step))
        suppressions += (found := [suppressed(c) for c in every])
        yield _row(name, "suppression", summary(found))
        filters += (found := [filtered(c) for c in every])
        yield _row(name, "filters", summary(found, -99.0, 99.0))
    yield _row("all", "suppression", summary(suppressions))
    yield _row("all", "filters", summary(filters, -99.0, 99.0))
    yield ""
    yield ("| session | tails | SIR as recorded, dB | with the tail, dB | lower bleed | "
           "level at the joint, 90 % within, dB |")
    yield "|" + "---|" * 6
    for name in names:
        made = list(grafts(name, folder, step))
        before, after = ([g.sir_db[k] for g in made] for k in (0, 1))
        level = np.percentile([abs(g.level_db) for g in made], 90) if made else None
        lower = float(np.mean([g.sir_db[1] > g.sir_db[0] for g in made])) if made else None
        shown = map(_shown, (_median(before), _median(after), lower, level))
        yield "| " + " | ".join([name, str(len(made)), *shown]) + " |"


def _row(name: str, kind: str, found: Summary) -> str:
    shown = map(_shown, (found.gain_db, found.gain_all_db, found.no_lower, found.sdr_gain_db))
    cells = [name, kind, str(found.cases), str(found.done), *shown, str(found.clear), str(found.touched_clear)]
    return "| " + " | ".join(cells) + " |"


def _shown(value: float | None) -> str:
    return "-" if value is None else f"{value:.2f}"


def main(arguments: Sequence[str] | None = None) -> None:
    """Measure, print, write."""
    parser = argparse.ArgumentParser(prog="tests.repairs", description="What repair does to sessions known in full.")
    parser.add_argument("names", nargs="*", metavar="NAMES", help=f"sessions (default: {', '.join(NAMES)})")
    parser.add_argument("--folder", type=Path, help="keep sessions here, and use what is there already")
    parser.add_argument("--step", type=int, default=1, help="only every so many hits")
    parser.add_argument("--out", type=Path, help="write the tables to this file as Markdown")
    asked = parser.parse_args(arguments)
    lines = []
    with tempfile.TemporaryDirectory() as spare:
        folder = (asked.folder or Path(spare)).resolve()
        folder.mkdir(parents=True, exist_ok=True)
        for line in tables(asked.names or NAMES, folder, asked.step):
            print(line, flush=True)
            lines.append(line)
    if asked.out is not None:
        asked.out.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
