"""Comparison: mics and takes side by side, level-matched, as figures and as excerpts to hear.

In one pass over the drums:

    analyse ─► hits of like strength ─► windows ─► figures, pairs, excerpts ─► few mics and costs ─► page
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from dataclasses import asdict, dataclass, is_dataclass
from itertools import count
from pathlib import Path

from oneshot.analysis import Analysis, FoundDrum, analysed, completed
from oneshot.analysis.pooling import Pooling
from oneshot.audio.convert import quantised
from oneshot.audio.io import sound_bytes
from oneshot.comparison import excerpts, few_mics, figures, hits, page, pairs, transients, windows
from oneshot.config.corrections_file import safe_name
from oneshot.config.handling import NOTHING
from oneshot.core.air import speed_of_sound
from oneshot.core.cache.disk import open_store
from oneshot.core.errors import SettingsError
from oneshot.core.files import real, staged_folder
from oneshot.core.progress import Progress
from oneshot.core.records.hits import Delay, Drum, Hit
from oneshot.core.records.kit import Fader
from oneshot.core.records.session import Floats, Mic, Problem, Session, Take
from oneshot.cutting import compute_balance
from oneshot.session.open import check_unchanged, fingerprint_parts, open_session
from oneshot.session.output_paths import check_outside_sessions

BITS, PAGE_BITS = 24, 16
"""Of the excerpts' files, and of the same inside the page."""


@dataclass(frozen=True, slots=True)
class Comparison:
    """Drums, mic by mic and take by take; ``homes``: drum -> its home mic; ``pairs`` of mics; ``carried_in``: the take
    in which it was measured which few mics carry most of the balance, None where none could be; ``costs`` of each mic;
    ``excerpts``: file name -> gain (dB) that matches it to the others of its drum.
    """

    session: Session
    homes: Mapping[str, str]
    views: tuple[figures.View, ...]
    pairs: tuple[pairs.Pair, ...]
    carried_in: str | None
    carriers: tuple[few_mics.Carrier, ...]
    costs: tuple[few_mics.Cost, ...]
    excerpts: Mapping[str, float]
    problems: tuple[Problem, ...]


def compare_session(session_path: Path, *, out: Path | None = None, fresh: bool = False, jobs: int = 1,
                    progress: Progress) -> Comparison:
    """Compare a session's mics and takes; ``out``: a new folder for level-matched excerpts and a page that plays them.

    Raises an error of the tree in ``core/errors.py``; SettingsError where ``out`` exists and is not empty, or lies
    inside the session. No folder is left behind then.
    """
    session = open_session(session_path)
    if out is not None:
        _check(out, session)
    parts = fingerprint_parts(session)
    check_unchanged(session, parts)
    store = open_store(parts)
    if fresh:
        store.clear()
    # takes are held against each other here, so that none of them keeps articulations of its own
    findings, _ = analysed(session, store, NOTHING, pooling=Pooling("all"), rendered=False, jobs=jobs,
                           progress=progress)
    found = completed(session, findings, jobs=jobs)
    views: list[figures.View] = []
    together: list[pairs.Pair] = []
    gains: dict[str, float] = {}
    sounds: list[page.Sound] = []
    used: set[str] = set()
    homes = {drum.name: drum.home for drum in found.drums}
    compared = usual_hits(found)
    with ExitStack() as staged:
        stage = None if out is None else staged.enter_context(staged_folder(out))
        for done, (drum, takes) in enumerate(compared.items()):
            progress("comparing", done / len(compared))
            heard = []
            for name, mine in takes.items():
                take = session.take(name)
                mics = windows.mics_of(take, drum)
                chosen = hits.cleanest(mine, [mic.name for mic in mics])
                seen = windows.read(session, found, take, mics, chosen)
                own = take_has(take, homes[drum]) and take.mic(homes[drum]).stands_at(drum)
                views += figures.views(seen, homes[drum] if own else None,
                                       _known(session, found, take, mics, chosen[0]))
                late = found.delays_ms.get(name, {}).get(drum, {})
                together += pairs.pairs(seen, [late.get(mic.name) for mic in mics],
                                        speed_of_sound(session.air_c) / 1000)
                if stage is not None:
                    heard.append(seen.longest(excerpts.PLAYED))
            if stage is not None:
                for sound, x, gain in _matched(heard, used):
                    (stage / sound.file).write_bytes(_encoded(x, sound, BITS, ".wav"))
                    gains[sound.file] = round(gain, 2)
                    sounds.append(sound)
        balance = _balance(session, found)
        carried_in, carried = _carried(session, found, compared, balance)
        ordered = _in_order(session, found, views)
        result = Comparison(session, {drum: homes[drum] for drum in compared}, ordered, tuple(together), carried_in,
                            tuple(carried), tuple(few_mics.costs(session, found, balance)), gains,
                            (*session.problems, *found.problems))
        if stage is not None:
            page.write(stage, comparison_record(result), sounds)
            check_unchanged(session, parts)
    return result


def usual_hits(found: Analysis) -> dict[str, dict[str, list[Hit]]]:
    """Drum -> take -> its hits of like strength, of the drum's usual articulation; clean ones where there are any."""
    homes = {drum.name: drum.home for drum in found.drums}
    out = {}
    for drum, way in hits.usual_ways(found.hits).items():
        mine = [h for h in found.hits if (h.drum, h.articulation) == (drum, way)]
        if takes := hits.of_similar_level(hits.clean_ones(mine, homes[drum])):
            out[drum] = takes
    return out


def take_has(take: Take, mic: str) -> bool:
    """Whether a take has a mic of that name."""
    return any(each.name == mic for each in take.mics)


def comparison_record(found: Comparison) -> dict[str, object]:
    """A comparison as plain types, figures rounded, for programs and for the lines that people read."""
    return {"session": found.session.name, "air_c": found.session.air_c,
            "octaves_hz": [round(hz, 1) for hz in figures.CENTRES_HZ],
            "homes": dict(found.homes), "views": _plain(found.views), "pairs": _plain(found.pairs),
            "balance": {"take": found.carried_in, "carriers": _plain(found.carriers)},
            "costs": _plain(found.costs), "excerpts": dict(found.excerpts),
            "problems": [asdict(problem) for problem in found.problems]}


def _plain(value: object) -> object:
    """Records and tuples of any depth as lists and dictionaries, numbers rounded to two places, seconds to three."""
    if is_dataclass(value) and not isinstance(value, type):
        return {name: round(each, 3) if name.endswith("_s") and isinstance(each, float) else _plain(each)
                for name, each in asdict(value).items()}
    if isinstance(value, tuple):
        return [_plain(each) for each in value]
    return round(value, 2) + 0.0 if isinstance(value, float) else value


def _check(out: Path, session: Session) -> None:
    """Raise SettingsError where excerpts must not be written."""
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise SettingsError(f"{out} exists and is not empty: choose a new folder")
    if real(out).is_relative_to(real(session.root)) or real(session.root).is_relative_to(real(out)):
        raise SettingsError(f"{out} and the session lie inside each other: choose a folder elsewhere")
    check_outside_sessions(out)


def _known(session: Session, found: Analysis, take: Take, mics: Sequence[Mic], first: Hit) -> list[figures.Known]:
    """What the analysis knows of a drum in each mic; with what a compressor or gate does there, where one is."""
    noise: Mapping[str, float | None] = next((n.noise_dbfs for n in found.noise if n.take == take.name), {})
    delays = found.delays.get(take.name, {}).get(first.drum, {})
    dynamics = found.dynamics.get(take.name, {})
    slopes: dict[str, tuple[float | None, float | None]] = {}
    if any(mic.name in dynamics for mic in mics):
        every = [h for h in found.hits if (h.take, h.drum, h.articulation) == (take.name, first.drum,
                                                                               first.articulation)
                 and h.level_db is not None and h.ornament is None and not h.partners]
        heard = windows.read(session, found, take, mics, few_mics.spread_out(every, transients.MOST_HITS),
                             transients.LENGTH_S)
        slopes = transients.transient_slopes(heard, frozenset(m.name for m in mics if m.name not in dynamics))
    return [figures.Known(noise.get(mic.name), delays.get(mic.name, Delay()), dynamics.get(mic.name),
                          slopes.get(mic.name, (None, None))) for mic in mics]


def _matched(heard: Sequence[windows.Windows], used: set[str]) -> list[tuple[page.Sound, Floats, float]]:
    """One drum's excerpts from all mics and takes, level-matched, each with its gain (dB). Silent ones are left out."""
    rows, lasting = excerpts.places(heard)
    found, rates, about = {}, {}, {}
    for take, mine in zip(heard, rows, strict=True):
        first = take.hits[0]
        for k, mic in enumerate(take.mics):
            name = _free(f"{safe_name(first.drum)}_{safe_name(take.take)}_{safe_name(mic.name)}", used)
            found[name], rates[name] = excerpts.excerpt(take, k, mine, lasting), take.sample_rate
            about[name] = first.drum, first.articulation, take.take, mic.name
    out = []
    for name, gain in excerpts.matching_gains(found, rates).items():
        x = found[name] * 10 ** (gain / 20)
        sound = page.Sound(*about[name], f"{name}.wav", rates[name], b"")
        out.append((sound.holding(_encoded(x, sound, PAGE_BITS, ".flac")), x, gain))
    return out


def _encoded(x: Floats, sound: page.Sound, bits: int, suffix: str) -> bytes:
    """A sound file; where bits are lost with dither, seeded by the file's name."""
    return sound_bytes(quantised(x, bits, sound.file), sound.sample_rate, f"PCM_{bits}", suffix)


def _free(name: str, used: set[str]) -> str:
    """The name, or the first free one after it where mics or takes are called alike but for signs."""
    free = next(each for again in count(1) if (each := name if again == 1 else f"{name}-{again}") not in used)
    used.add(free)
    return free


def _in_order(session: Session, found: Analysis, views: Sequence[figures.View]) -> tuple[figures.View, ...]:
    """Drums in their order, mics in the session's: the takes of one mic stand together."""
    drums = {d.name: n for n, d in enumerate(found.drums)}
    takes = {t.name: n for n, t in enumerate(session.takes)}
    mics = {name: n for n, name in enumerate(dict.fromkeys(m.name for t in session.takes for m in t.mics))}
    return tuple(sorted(views, key=lambda v: (drums[v.drum], mics[v.mic], takes[v.take])))


def _balance(session: Session, found: Analysis) -> dict[str, Fader]:
    """The balance as a build computes it by default."""
    return compute_balance(session, [_drum(each) for each in found.drums], bleed=found.bleed, polarity=found.polarity)


def _drum(found: FoundDrum) -> Drum:
    """A drum that has no keys."""
    return Drum(found.name, found.kind, found.home, ())


def _carried(session: Session, found: Analysis, compared: Mapping[str, Mapping[str, Sequence[Hit]]],
             balance: Mapping[str, Fader]) -> tuple[str | None, list[few_mics.Carrier]]:
    """The take in which most drums were compared, the first of these, and the mics that carry most there."""
    drums = {take.name: [drum for drum, takes in compared.items() if take.name in takes] for take in session.takes}
    name = max(drums, key=lambda each: len(drums[each]), default=None)
    if name is None or not drums[name]:
        return None, []
    take = session.take(name)
    mics = [mic for mic in take.mics if mic.name in balance and balance[mic.name].on]
    names = [mic.name for mic in mics]
    heard = (windows.read(session, found, take, mics, hits.cleanest(compared[drum][name], names)[:excerpts.PLAYED],
                          few_mics.LENGTH_S) for drum in drums[name] if mics)
    known = few_mics.shared(names, heard, balance)
    if known is None:
        return None, []
    units: dict[str, list[str]] = {}
    for mic in mics:
        units.setdefault(f"pair {mic.pair}" if mic.pair else f"mic {mic.name}", []).append(mic.name)
    return name, few_mics.carriers(known, [tuple(unit) for unit in units.values()])
