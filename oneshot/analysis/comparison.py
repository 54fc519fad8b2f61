"""Comparison: the same drum in every mic and take, side by side, level-matched, as figures and as excerpts to hear.

Louder always sounds better, so sound is only compared at equal level. And a hard stroke is brighter than a soft one, so
only hits of like strength are compared: those of one drum and articulation within ``WITHIN_DB`` of the level that most
takes reach.

Spectra are powers in octave bands with the exact centres 1000 Hz · 10^(3n/10) (IEC 61260-1:2014, base ten; from memory)
over the first 300 ms, as parts of the mic's whole power there: 0 dB would be all of it. ``tilt`` is the slope of a
straight line fitted through the bands, dB per octave. Excerpts are matched by momentary loudness (ITU-R BS.1770).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from itertools import count
from pathlib import Path

import numpy as np

from oneshot.analysis.complete import completed
from oneshot.analysis.result import Analysis
from oneshot.analysis.run import analysed
from oneshot.audio.io import TakeReader, write_wav
from oneshot.audio.loudness import momentary_max_lufs, true_peak_dbtp
from oneshot.config.corrections_file import safe_name
from oneshot.config.handling import NOTHING
from oneshot.core.cache.disk import open_store
from oneshot.core.errors import SettingsError
from oneshot.core.files import real, staged_folder
from oneshot.core.progress import Progress
from oneshot.core.records.hits import Hit
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Floats, Mic, Problem, Session, Take
from oneshot.session.open import check_unchanged, fingerprint_parts, open_session
from oneshot.session.output_paths import check_outside_sessions

CENTRES_HZ = tuple(1000 * 10 ** (0.3 * n) for n in range(-4, 5))
"""Centres of the octave bands, 63 Hz to 16 kHz by their nominal names."""
NOMINAL = ("63", "125", "250", "500", "1k", "2k", "4k", "8k", "16k")
MEASURED_S = 0.3
"""Window in which a hit is measured, as levels in the manifest are."""
WITHIN_DB = 1.5
STROKES = 8
"""Hits of a take that are compared at most, the cleanest in the mic."""
CLEAN_DB = -10.0
"""Bleed above this makes a hit another drum's as well; a mic with no cleaner one is marked."""
PLAYED, PLAYED_S = 4, 1.2
"""Hits in an excerpt, and the longest part of each."""
LEAD_S, FADE_S = 0.005, 0.05
LOUDEST_DBTP, LOUDNESS_LUFS = -3.0, -20.0
"""Excerpts are matched at this loudness, or lower where a peak would pass the limit."""


@dataclass(frozen=True, slots=True)
class View:
    """One drum in one mic of one take.

    ``strokes``: how many hits were measured; ``clean``: whether their bleed is below -10 dB; medians over the hits of
    ``level_dbfs`` (rms of the first 300 ms), of ``bands_db`` (each octave's part of it) and of ``tilt_db`` (per
    octave); ``peak_dbfs``: of the loudest; ``noise_dbfs``: the mic's noise floor, None where it is silent. Figures are
    None where the mic does not pick up the drum.
    """

    drum: str
    articulation: str
    take: str
    mic: str
    role: str
    strokes: int
    clean: bool
    level_dbfs: float | None
    peak_dbfs: float | None
    noise_dbfs: float | None
    tilt_db: float | None
    bands_db: tuple[float | None, ...]


def of_similar_level(hits: Sequence[Hit]) -> dict[str, list[Hit]]:
    """Take -> its hits of like strength, of one drum and articulation; takes that have none are left out.

    The level is the one around which most takes have hits, up to ``STROKES`` each counting, the softest of equals.
    """
    able = sorted((h for h in hits if h.level_db is not None and h.ornament is None and not h.partners),
                  key=lambda h: (h.level_db or 0.0, h.id))
    if not able:
        return {}
    level = np.array([h.level_db for h in able], np.float64)
    takes = sorted({h.take for h in able})
    rows = {take: np.array([h.take == take for h in able]) for take in takes}

    def coverage(at: float) -> tuple[int, int]:
        """How many takes have hits of about that level, and how many hits."""
        near = np.abs(level - at) <= WITHIN_DB
        counts = [min(int((near & mine).sum()), STROKES) for mine in rows.values()]
        return sum(n > 0 for n in counts), sum(counts)

    best = max(dict.fromkeys(level.tolist()), key=coverage)
    near = [h for h in able if h.level_db is not None and abs(h.level_db - best) <= WITHIN_DB]
    return {take: mine for take in takes if (mine := [h for h in near if h.take == take])}


def usual_ways(hits: Sequence[Hit]) -> dict[str, str]:
    """Drum -> the articulation that most takes have, of those the most frequent."""
    by_drum: dict[str, dict[str, list[Hit]]] = {}
    for hit in hits:
        by_drum.setdefault(hit.drum, {}).setdefault(hit.articulation, []).append(hit)
    return {drum: min(ways, key=lambda way: (-len({h.take for h in ways[way]}), -len(ways[way]), way))
            for drum, ways in sorted(by_drum.items())}


def cleanest(hits: Iterable[Hit], mic: str) -> tuple[list[Hit], bool]:
    """The hits to be measured in a mic, cleanest first, and whether they are clean there."""
    known = sorted((bleed, h.id, h) for h in hits if (bleed := h.bleed_db.get(mic)) is not None)
    clean = [h for bleed, _, h in known if bleed <= CLEAN_DB]
    return (clean[:STROKES], True) if clean else ([h for _, _, h in known][:STROKES], False)


def view(first: Hit, mic: str, role: str, strokes: Sequence[Floats], sample_rate: int, *, clean: bool,
         noise_dbfs: float | None) -> View:
    """A drum in a mic: ``strokes`` are float64 (frames,), full scale 1.0, from each hit's arrival on."""
    powers = [band_powers(x[:round(MEASURED_S * sample_rate)], sample_rate) for x in strokes]
    live = [(whole, bands) for whole, bands in powers if whole > 0]
    head = (first.drum, first.articulation, first.take, mic, role, len(live), clean)
    if not live:
        return View(*head, None, None, noise_dbfs, None, (None,) * len(CENTRES_HZ))
    level = float(np.median([_db(whole) for whole, _ in live]))
    bands = np.median([[_db(b) - _db(whole) for b in part] for whole, part in live], axis=0)
    known = np.array(CENTRES_HZ) * 10**0.15 <= sample_rate / 2
    octaves = np.log2(np.array(CENTRES_HZ))
    tilt = float(np.polyfit(octaves[known], bands[known], 1)[0])
    peak = max(float(np.abs(x).max(initial=0.0)) for x in strokes)
    return View(*head, level, 20 * float(np.log10(peak)), noise_dbfs, tilt,
                tuple(float(b) if on else None for b, on in zip(bands, known, strict=True)))


def band_powers(x: Floats, sample_rate: int) -> tuple[float, Floats]:
    """Mean square of ``x``, and its parts in the octave bands: Parseval's theorem over one transform of the whole."""
    spectrum = np.abs(np.fft.rfft(x)) ** 2
    weight = np.full(len(spectrum), 2.0)
    weight[0] = 1.0
    if len(x) % 2 == 0:
        weight[-1] = 1.0
    power = weight * spectrum / len(x) ** 2
    frequency = np.fft.rfftfreq(len(x), 1 / sample_rate)
    bands = [float(power[(frequency >= c / 10**0.15) & (frequency < c * 10**0.15)].sum()) for c in CENTRES_HZ]
    return float(power.sum()), np.array(bands)


# ------------------------------------------------------------------------------------------------------------- excerpts


def excerpt(strokes: Sequence[tuple[Floats, int]], sample_rate: int) -> Floats:
    """Some hits one after the other, faded out where they end: float64 (1, frames).

    ``strokes``: audio (frames,) from ``LEAD_S`` before the arrival, and the frame at which the next stroke begins.
    """
    parts = []
    for x, stop in strokes[:PLAYED]:
        part = x[:max(1, min(len(x), stop, round(PLAYED_S * sample_rate)))].copy()
        fade = min(len(part), round(FADE_S * sample_rate))
        part[len(part) - fade:] *= 0.5 * (1 + np.cos(np.pi * (np.arange(fade) + 1) / fade))
        lead = min(len(part), round(LEAD_S * sample_rate))
        part[:lead] *= np.arange(lead) / lead
        parts.append(part)
    return np.concatenate(parts)[None] if parts else np.zeros((1, 0))


def matching_gains(excerpts: Mapping[str, Floats], rates: Mapping[str, int]) -> dict[str, float]:
    """Gain (dB) of each excerpt that makes all equally loud: momentary loudness (ITU-R BS.1770) at ``LOUDNESS_LUFS``,
    or lower, so that no true peak passes ``LOUDEST_DBTP``. Silent ones are left out.
    """
    loud: dict[str, tuple[float, float]] = {}
    for name, x in excerpts.items():
        level = momentary_max_lufs(x, rates[name]) if x.shape[1] else None
        peak = true_peak_dbtp(x, rates[name]) if x.shape[1] else None
        if level is not None and peak is not None:
            loud[name] = level, peak
    target = min([LOUDNESS_LUFS, *(level + LOUDEST_DBTP - peak for level, peak in loud.values())])
    return {name: target - level for name, (level, _) in loud.items()}


def _db(power: float) -> float:
    """A power in dB, floored at -200 dB."""
    return 10 * float(np.log10(max(power, 1e-20)))


# --------------------------------------------------------------------------------------------------- a session compared

SUBTYPE = "PCM_24"


@dataclass(frozen=True, slots=True)
class Comparison:
    """Drums, mic by mic and take by take; ``excerpts``: file name -> gain (dB) that matches it to the others."""

    session: Session
    views: tuple[View, ...]
    excerpts: Mapping[str, float]
    problems: tuple[Problem, ...]


def compare_session(session_path: Path, *, out: Path | None = None, fresh: bool = False, jobs: int = 1,
                    progress: Progress) -> Comparison:
    """Compare a session's mics and takes; ``out``: a new folder for level-matched excerpts to listen to.

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
    findings, _ = analysed(session, store, NOTHING, how="all", rendered=False, jobs=jobs, progress=progress)
    found = completed(session, findings, jobs=jobs)
    views: list[View] = []
    sounds: dict[str, dict[str, tuple[Floats, int]]] = {}
    used: set[str] = set()
    for drum, way in usual_ways(found.hits).items():
        hits = [h for h in found.hits if (h.drum, h.articulation) == (drum, way)]
        for take, mine in of_similar_level(hits).items():
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
    if real(out).is_relative_to(real(session.root)) or real(session.root).is_relative_to(real(out)):
        raise SettingsError(f"{out} and the session lie inside each other: choose a folder elsewhere")
    check_outside_sessions(out)


def _free(name: str, used: set[str]) -> str:
    """The name, or the first free one after it where mics or takes are called alike but for signs."""
    free = next(each for again in count(1) if (each := name if again == 1 else f"{name}-{again}") not in used)
    used.add(free)
    return free


def _mic_rank(session: Session, view: View) -> tuple[int, str]:
    """Mics in the session's order: the takes of one mic stand together."""
    names = list(dict.fromkeys(mic.name for take in session.takes for mic in take.mics))
    return names.index(view.mic), view.mic


def mics_of(take: Take, drum: str) -> tuple[Mic, ...]:
    """The mics in which a drum is compared: its own close mics, overheads, rooms and buses."""
    return tuple(mic for mic in take.mics if mic.stands_at(drum) or mic.role.means.whole_kit)


def _take(session: Session, take: Take, found: Analysis,
          hits: Sequence[Hit]) -> tuple[list[View], dict[str, tuple[Floats, int]]]:
    """One drum in all mics of one take, and excerpts by mic (audio (1, frames), sample rate)."""
    mics = mics_of(take, hits[0].drum) or tuple(m for m in take.mics if m.role is Role.CLOSE)
    rate = take.sample_rate
    noise = next((n.noise_dbfs for n in found.noise if n.take == take.name), {})
    lead, length = round(LEAD_S * rate), round(PLAYED_S * rate)
    views, heard = [], {}
    with TakeReader(session.root, take, [m.name for m in mics], dtype="float64",
                    offset=found.offsets.get(take.name)) as reader:
        for row, mic in enumerate(mics):
            chosen, clean = cleanest(hits, mic.name)
            strokes = []
            for hit in chosen:
                start = _arrival(hit, mic.name)
                follows = found.next_stroke(hit, [mic.name], rate)
                x = reader.read(start - lead, start + length)[row]
                strokes.append((np.asarray(x, np.float64), length if follows is None else follows - start + lead))
            views.append(view(hits[0], mic.name, str(mic.role), [x[lead:] for x, _ in strokes], rate,
                              clean=clean, noise_dbfs=noise.get(mic.name)))
            heard[mic.name] = excerpt(strokes, rate), rate
    return views, heard


def _arrival(hit: Hit, mic: str) -> int:
    """Where a hit arrives in a mic; its first onset anywhere where that is not known."""
    told = hit.onsets.get(mic)
    return hit.onset if told is None else told


def _write(folder: Path, sounds: Mapping[str, tuple[Floats, int]]) -> dict[str, float]:
    """One drum's excerpts, level-matched; file name -> gain in dB. Silent ones are left out."""
    gains = matching_gains({name: x for name, (x, _) in sounds.items()},
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

    return {"session": found.session.name, "octaves_hz": [round(hz, 1) for hz in CENTRES_HZ],
            "views": [{name: rounded(value) for name, value in asdict(view).items()} for view in found.views],
            "excerpts": dict(found.excerpts), "problems": [asdict(problem) for problem in found.problems]}
