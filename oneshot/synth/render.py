"""A generated session, rendered: every stroke through every mic, what else is heard, and the truth about it.

Each stroke is one convolution per surface: its spectrum times the surface's transfer functions to all mics, times a
phase that puts it at its fractional frame and moves it to where on the drum it landed. Strokes are rendered in order of
time, so the window of a stroke is final as soon as the next stroke begins after it: the memory needed is one take, not
all strokes. The same plan, take and seed give the same samples.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from zlib import crc32

import numpy as np
from scipy.fft import irfft, rfft

from oneshot.audio import io
from oneshot.core.errors import SessionError, WorkError
from oneshot.core.files import folder_beside, reason, write_atomic
from oneshot.core.records.session import Floats32
from oneshot.synth import flaws, truth
from oneshot.synth.plans import KitPlan, MicPlan, Place, Stroke, TakePlan
from oneshot.synth.room import Radiator, radiators
from oneshot.synth.scene import Scene, fft_size
from oneshot.synth.strokes import Part

LEAD_S = 1.0
"""Quiet before the first stroke of every take."""
LAYER_STEP_DB = 3.0
PLACE_SPREAD_M = {"kick": 0.002, "snare": 0.012, "tom": 0.012, "hat": 0.01, "ride": 0.015, "crash": 0.02}
"""How far strokes land beside each other, rms in each direction (common practice, no source)."""
LANDS: dict[tuple[str, str], Place] = {
    ("snare", "side stick"): (0.07, 0.09, 0.01), ("snare", "rimshot"): (0.02, -0.09, 0.01),
    ("ride", "bow"): (-0.05, -0.12, 0.0), ("crash", "hit"): (0.05, -0.16, 0.0),
}
"""Where on the drum an articulation lands, metres from its middle."""
RESTRUCK = {"kick": (0.25, 0.012), "snare": (0.5, 0.004), "tom": (0.55, 0.005), "hat": (0.6, 0.01)}
"""What a second stroke leaves of the ring of the first (share), and how fast it takes the rest (s)."""
CLOSING = {"closed", "half open", "foot"}
Progress = Callable[[str, float], None]
HEAD: Place = (0.0, -0.85, 1.3)
"""Where the player's head is: speech and the leak of headphones come from there."""
STICKS: Place = (-0.05, -0.62, 1.15)
"""Where sticks are struck together."""


@dataclass(slots=True)
class _Pending:
    """A stroke whose window still fills: what it alone put there."""

    hit: dict[str, Any]
    start: int
    stop: int
    own: Floats32


def _ordered(take: TakePlan) -> list[Stroke]:
    return sorted(take.strokes, key=lambda s: (s.at_s, s.drum, s.articulation))


def _damped(signal: Floats32, sample_rate: int, after_s: float, keep: float, fade_s: float) -> Floats32:
    """A ring that from ``after_s`` on falls to ``keep`` of itself with time constant ``fade_s``; 0 ends it."""
    at = int(after_s * sample_rate)
    if at >= len(signal):
        return signal
    out = signal.copy()
    late = np.arange(len(out) - at, dtype=np.float32) / np.float32(sample_rate)
    out[at:] *= np.float32(keep) + np.float32(1 - keep) * np.exp(-late / np.float32(fade_s))
    return out if keep else out[: at + int(12 * fade_s * sample_rate)]


def _ending(stroke: Stroke, following: Stroke | None, kind: str) -> list[tuple[float, float, float]]:
    """What happens to a stroke's ring: (seconds after it, share kept, time constant) of each damping."""
    ends = [] if stroke.choke_s is None else [(stroke.choke_s, 0.0, 0.02)]
    if following is not None:
        gap = following.at_s - stroke.at_s
        if kind == "hat" and following.articulation in CLOSING:
            ends.append((gap, 0.0, 0.007))
        elif kind in RESTRUCK:
            ends.append((gap, *RESTRUCK[kind]))
    return ends


def _layers(strokes: list[Stroke]) -> list[tuple[int, int]]:
    """Layer (1 is the softest, steps of 3 dB that occur) and running number inside it, of every stroke."""
    steps = [round(s.strength_db / LAYER_STEP_DB) for s in strokes]
    groups: dict[tuple[str, str], set[int]] = {}
    for s, step in zip(strokes, steps, strict=True):
        groups.setdefault((s.drum, s.articulation), set()).add(step)
    counts: dict[tuple[str, str, int], int] = {}
    found = []
    for s, step in zip(strokes, steps, strict=True):
        key = (s.drum, s.articulation, step)
        counts[key] = counts.get(key, 0) + 1
        found.append((sorted(groups[s.drum, s.articulation]).index(step) + 1, counts[key]))
    return found


def render_take(plan: KitPlan, take: TakePlan, seed: int = 1, *,
                progress: Progress | None = None) -> tuple[Floats32, dict[str, Any]]:
    """Render one take: (mics, frames) float32 in the order of the plan's mics (or the mixdown's L, R), and its truth.

    The truth holds ``sr``, ``mics`` (no dead, crushed or talk mic, no trigger), ``homes`` (drum -> mic),
    ``noise_db`` (the noisiest of them, dBFS), ``scale`` (applied to the samples after the truth was taken), ``talk``
    (frames) and ``hits``; ``attack`` of a hit is the fractional frame at which the first sound of the contact reaches
    the home mic, the rest is told in ``truth``. Gates and overdriven inputs come after the truth is taken. Raises
    SettingsError if a stroke names a drum or an articulation that the plan lacks.
    """
    return _render(Scene(plan, seed), take, progress)


def _render(scene: Scene, take: TakePlan, progress: Progress | None) -> tuple[Floats32, dict[str, Any]]:
    sr, strokes = scene.sr, _ordered(take)
    total = int((LEAD_S + strokes[-1].at_s + take.tail_s) * sr)
    mix = np.zeros((len(scene.channels), total), np.float32)
    heard, homes = scene.linear(), scene.homes()
    names = [scene.channels[k] for k in heard]
    noise = {scene.channels[k]: scene.noise_dbfs(k) for k in heard}
    _add_room_sounds(scene, take, mix)
    _add_knocks(scene, take, mix)
    hits: list[dict[str, Any]] = []
    pending: list[_Pending] = []
    for k, (stroke, (layer, alternate)) in enumerate(zip(strokes, _layers(strokes), strict=True)):
        rng = np.random.default_rng([scene.seed, 5, crc32(take.name.encode()), k])
        following = next((s for s in strokes[k + 1 :] if s.drum == stroke.drum and s.at_s > stroke.at_s), None)
        image, start, attack, missed_db = _sound(scene, stroke, following, homes, rng)
        pending = _settle(pending, mix, heard, names, before=start)
        stop = min(total, start + image.shape[1])
        mix[:, start:stop] += image[:, : stop - start]
        own = image[heard]
        hit = {"id": k, "drum": stroke.drum, "articulation": stroke.articulation, "layer": layer,
               "alternate": alternate, "attack": attack, "gain_db": missed_db,
               **truth.describe(own, start, names, names.index(homes[stroke.drum]), noise, sr)}
        pending.append(_window(hit, own, start, total, sr))
        hits.append(hit)
        if progress is not None:
            progress(f"rendering {take.name}", (k + 1) / len(strokes))
    _settle(pending, mix, heard, names, before=None)
    scale = _finish(scene, take, mix)
    truth.add_gaps(hits, sr)
    talk = [[int((LEAD_S + at) * sr), int((LEAD_S + at + length) * sr)] for at, length in take.talk]
    return mix, {"sr": sr, "mics": names, "homes": homes, "noise_db": max(noise.values()), "scale": scale, "talk": talk,
                 "hits": hits}


def _window(hit: dict[str, Any], own: Floats32, start: int, total: int, sample_rate: int) -> _Pending:
    """What a stroke alone, ``own`` (mics, frames) from frame ``start`` on, puts into its window."""
    a, b = truth.window(hit["first"], total, sample_rate)
    piece = np.zeros((len(own), b - a), np.float32)
    lo, hi = max(a, start), min(b, start + own.shape[1])
    piece[:, lo - a : hi - a] = own[:, lo - start : hi - start]
    return _Pending(hit, a, b, piece)


def _sound(scene: Scene, stroke: Stroke, following: Stroke | None, homes: Mapping[str, str],
           rng: np.random.Generator) -> tuple[Floats32, int, float, float]:
    """One stroke in all channels, its start, its attack in the home channel (frames), and how far it missed (dB)."""
    plan, sr = scene.plan, scene.sr
    drum = plan.drum(stroke.drum)
    missed_db = float(np.clip(rng.normal(0, 0.35), -1, 1))
    beside = rng.normal(0, PLACE_SPREAD_M[drum.kind], 3) * (1, 1, 0.2)
    shift = np.array(LANDS.get((drum.kind, stroke.articulation), (0, 0, 0))) + beside
    parts = scene.instruments.strike(drum, stroke.articulation, stroke.strength_db + missed_db, rng)
    for after, keep, fade in _ending(stroke, following, drum.kind):
        parts = [Part(p.surface, _damped(p.signal, sr, after, keep, fade)) for p in parts]
    answers = (scene.instruments.buzz(d, drum, stroke.strength_db, rng) for d in plan.drums)
    parts += [a for a in answers if a is not None]
    exact = (LEAD_S + stroke.at_s) * sr
    start = int(np.floor(exact))
    image = scene.mixed(scene.image(parts, drum.name, exact - start, shift))
    mics = [m for m in plan.mics if plan.mixdown is not None or m.name == homes[drum.name]]
    way = min(r.metres_to(m, shift) for m in mics for r in radiators(drum))
    return image, start, exact + way / plan.room.speed * sr, missed_db


def _settle(pending: list[_Pending], mix: Floats32, heard: list[int], names: list[str],
            before: int | None) -> list[_Pending]:
    """Compare every stroke whose window ends by frame ``before`` with all that is in it; the others stay pending."""
    left = []
    for p in pending:
        if before is not None and p.stop > before:
            left.append(p)
        else:
            p.hit.update(truth.compare(p.own, mix[heard, p.start : p.stop], names))
    return left


def _add_room_sounds(scene: Scene, take: TakePlan, mix: Floats32) -> None:
    """Speech and headphones, from where the player's head is, and sticks, into all mics."""
    sr, first = scene.sr, int(LEAD_S * scene.sr)
    for k, (at_s, length_s) in enumerate(take.talk):
        rng = np.random.default_rng([scene.seed, 6, crc32(take.name.encode()), k])
        voice = flaws.speech(length_s, sr, rng) * np.float32(10 ** (take.talk_db / 20))
        _add(scene, mix, voice, Radiator("voice", HEAD, 0.2), first + int(at_s * sr))
    for k, at_s in enumerate(take.sticks_s):
        rng = np.random.default_rng([scene.seed, 9, crc32(take.name.encode()), k])
        _add(scene, mix, flaws.sticks(sr, rng), Radiator("sticks", STICKS, 0.1), first + int(at_s * sr))
    if take.click_bpm is not None:
        ticks = flaws.clicks(take.click_bpm, mix.shape[1] - first, sr) * np.float32(10 ** (take.click_db / 20))
        _add(scene, mix, ticks, Radiator("headphones", HEAD, 0.1), first)


def _add_knocks(scene: Scene, take: TakePlan, mix: Floats32) -> None:
    """Knocks go through a stand into its own mic, and faintly through the floor into those of all other stands."""
    for k, (at_s, name) in enumerate(take.knocks):
        rng = np.random.default_rng([scene.seed, 10, crc32(take.name.encode()), k])
        start, sound = int((LEAD_S + at_s) * scene.sr), flaws.knock(scene.sr, rng)
        for channel, mic in enumerate(scene.channels):
            share = np.float32(1.0 if mic == name else 0.02)
            mix[channel, start : start + len(sound)] += (share * sound)[: max(0, mix.shape[1] - start)]


def _add(scene: Scene, mix: Floats32, signal: Floats32, radiator: Radiator, start: int) -> None:
    """Add one long signal from one place, ten seconds at a time."""
    block = 10 * scene.sr
    response = scene.mixed(scene.response(radiator) * scene.gains[:, None])
    size = fft_size(block + response.shape[1])
    spectrum = rfft(response, size, axis=1)
    for at in range(0, len(signal), block):
        heard = irfft(spectrum * rfft(signal[at : at + block], size), size, axis=1)
        stop = min(mix.shape[1], start + at + size)
        if stop > start + at:
            mix[:, start + at : stop] += heard[:, : stop - start - at]


def _finish(scene: Scene, take: TakePlan, mix: Floats32) -> float:
    """Noise, hum, compressors, gates, overdriven inputs and turned cables, in place; returns the scale applied."""
    scale = min(1.0, 0.97 / max(float(mix.max(initial=0.0)), -float(mix.min(initial=0.0)), 1e-9))
    for k in range(len(mix)):
        rng = np.random.default_rng([scene.seed, 7, crc32(take.name.encode()), k])
        mix[k] *= np.float32(scale)
        mix[k] += flaws.self_noise(scene.noise_dbfs(k), mix.shape[1], rng)
        if scene.mixing is None:
            _through(scene.plan.mics[k], take, mix[k], scene.sr)
    return scale


def _through(mic: MicPlan, take: TakePlan, row: Floats32, sample_rate: int) -> None:
    """What one mic's cable, input and treatment do to its channel (frames,), in place."""
    if mic.hum_dbfs is not None:
        row += flaws.hum(mic.hum_dbfs, mic.hum_hz, len(row), sample_rate)
    if mic.crushed:
        row[:] = flaws.crush(row, sample_rate)
    if mic.gate_dbfs is not None:
        row[:] = flaws.gate(row, sample_rate, mic.gate_dbfs)
    if mic.driven_db:
        row *= np.float32(10 ** (mic.driven_db / 20))
        np.clip(row, -1, 1, out=row)
    if mic.name in take.inverted:
        row *= np.float32(-1)
    if mic.offset:
        row += np.float32(mic.offset)


def write_session(folder: Path, plan: KitPlan, takes: Iterable[TakePlan], seed: int = 1, *,
                  progress: Progress | None = None) -> dict[str, dict[str, Any]]:
    """Render takes of one plan into ``folder``: a folder of files per take, and ``<take>.truth.json`` beside it.

    The desk's gains are the same in all takes. Returns take name -> truth. Raises SessionError if the folder exists and
    is not empty, WorkError where the disk refuses, and what ``render_take`` raises; nothing is left there then.
    """
    folder = Path(folder)
    new = not folder.exists()
    try:
        if new:
            folder.mkdir(parents=True)
        with folder_beside(folder / "session") as stage:
            _check_empty(folder, stage)
            told = _write_takes(stage, plan, takes, seed, progress)
            for each in sorted(stage.iterdir()):
                each.rename(folder / each.name)
    except BaseException as error:
        if new:
            with suppress(OSError):
                folder.rmdir()
        if isinstance(error, NotADirectoryError):
            raise SessionError(f"{folder} is not a folder: name a new one") from None
        if isinstance(error, OSError):
            raise WorkError(f"{folder} cannot be written ({reason(error)}): choose another place or free some "
                            "space") from None
        raise
    return told


def _check_empty(folder: Path, stage: Path) -> None:
    """Raise SessionError where a folder holds anything but ``stage``."""
    if any(each != stage for each in folder.iterdir()):
        raise SessionError(f"{folder} exists and is not empty: name a new folder")


def _write_takes(folder: Path, plan: KitPlan, takes: Iterable[TakePlan], seed: int,
                 progress: Progress | None) -> dict[str, dict[str, Any]]:
    """As ``write_session``, into an empty folder. Raises OSError."""
    scene = Scene(plan, seed)
    told: dict[str, dict[str, Any]] = {}
    for take in takes:
        mix, known = _render(scene, take, progress)
        (folder / take.name).mkdir()
        for stem, rows in files_of(plan).items():
            path = folder / take.name / f"{stem}.wav"
            io.write_wav(path, mix[list(rows)].astype(np.float64), plan.sample_rate, plan.subtype)
        write_atomic(folder / f"{take.name}.truth.json", truth.truth_json(known))
        told[take.name] = known
    return told


def files_of(plan: KitPlan) -> dict[str, tuple[int, ...]]:
    """Stem of each file of a take -> its channels, as rows of the rendered take."""
    if plan.mixdown is not None:
        return {plan.mixdown: (0, 1)}
    found: dict[str, tuple[int, ...]] = {}
    for k, mic in enumerate(plan.mics):
        stem = mic.file or mic.name
        found[stem] = (*found.get(stem, ()), k)
    return found
