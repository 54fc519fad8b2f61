"""A small finished kit with real sound files, for tests of what reads kits: the page and the summary."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

import numpy as np

from oneshot.audio.io import write_wav
from oneshot.core.records.hits import Articulation, Delay, Drum, Hit, Partner
from oneshot.core.records.kit import Fader, Kit, OneShot, Print, PrintMic, Sample, TakeNoise
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Floats, Mic, Problem, Session, Source, Take

RATE = 48000
FRAMES = 9600
ONSET = 96
DRUMS = (Drum("kick", "kick", "Kick In", (Articulation("hit", 36),)),
         Drum("snare", "snare", "Snare Top", (Articulation("centre", 38), Articulation("side stick", 37))))
MICS = (Mic("Kick In", Role.CLOSE, "kick", "in"), Mic("Snare Top", Role.CLOSE, "snare", "top"),
        Mic("OH L", Role.OVERHEAD, pair="OH", side="L"), Mic("OH R", Role.OVERHEAD, pair="OH", side="R"))


def stroke(channels: int, level_db: float, seed: int, frames: int = FRAMES) -> Floats:
    """A decaying tone with some noise, float64 (channels, frames), at that peak."""
    random = np.random.default_rng(seed)
    time = np.arange(frames) / RATE - ONSET / RATE
    shape = np.where(time < 0, 0, np.exp(-18 * time.clip(0)))
    tone = np.sin(2 * np.pi * 180 * time)[None, :] + 0.3 * random.standard_normal((channels, frames))
    data = tone * shape
    return np.asarray(data / np.abs(data).max() * 10 ** (level_db / 20), dtype=np.float64)


def _sample(folder: Path, path: str, mics: tuple[str, ...], hit: int, level_db: float) -> Sample:
    (folder / path).parent.mkdir(parents=True, exist_ok=True)
    write_wav(folder / path, stroke(len(mics), level_db, hit), RATE, "PCM_24")
    digest = hashlib.sha256((folder / path).read_bytes()).hexdigest()
    return Sample(mics, path, FRAMES, hit * RATE - ONSET, ONSET, 48, 480, 0.0, False, "AB"[hit % 2], hit, (), level_db,
                  level_db + 0.1, level_db - 9, None, -40.0 - hit, digest)


def small_kit(folder: Path, *, layers: int = 3, robins: int = 3) -> Kit:
    """A kit of two drums struck in three ways, with its files written into ``folder``."""
    hits, shots = [], []
    number = 0
    for drum in DRUMS:
        for how in drum.articulations:
            for layer in range(1, layers + 1):
                for robin in range(1, robins + 1):
                    number += 1
                    level = -30.0 + 24.0 * layer / layers + robin / 4
                    kept = (how.name, layer) != ("side stick", 2)
                    hits.append(_hit(number, drum, how.name, level, layer if kept else None))
                    if kept:
                        shots.append(_one_shot(folder, drum, how.name, layer, robin, hits[-1], layers))
    take = Take("take 1", RATE, RATE * (number + 2), "PCM_24",
                tuple(replace(mic, sources=(Source(f"take 1/{mic.name}.wav", 0, 0, RATE * 40),)) for mic in MICS))
    levels = {mic.name: -10.0 * i for i, mic in enumerate(MICS)}
    return Kit(
        session=Session("Barn", folder, (take,)), generator="oneshot 0.1.0", recipe={"kit": {"name": "Barn kit"}},
        noise=(TakeNoise("take 1", {mic.name: -80.0 for mic in MICS}),),
        polarity={"take 1": {mic.name: 1 for mic in MICS}},
        balance={mic.name: Fader(-3.0, {"L": -1.0, "R": 1.0}.get(mic.side or "", 0.0)) for mic in MICS},
        drums=DRUMS, bleed={"take 1": {"kick": levels, "snare": {**levels, "Kick In": None}}},
        delays={"take 1": {"kick": {"Kick In": Delay(0.0, 0.0, 5, 0.0), "OH L": Delay(3.9, 0.03, 4, 1.34)},
                           "snare": {"Snare Top": Delay(0.0, 0.0, 3, 0.0), "OH L": Delay(-0.2, None, 1, -0.07)}}},
        delays_ms={"take 1": {"kick": {"Kick In": 0.0, "OH L": 3.9}, "snare": {"Snare Top": 0.0, "OH L": -0.2}}},
        hits=tuple(hits), one_shots=tuple(shots), prints=(_print(folder),),
        problems=(Problem("take 1", "no room mic", "place one three metres away"),
                  Problem("OH L", "clips 3 times", "take the gain down"),
                  Problem("OH R", "clips 3 times", "take the gain down")))


def _hit(number: int, drum: Drum, how: str, level: float, layer: int | None) -> Hit:
    onset = number * RATE
    return Hit(number, "take 1", onset, {mic.name: onset for mic in MICS}, drum.name, how, 0.9, level,
               {mic.name: -40.0 for mic in MICS}, True, tuple(mic.name for mic in MICS),
               partners=(Partner("kick", -30.0),) if number == 4 else (), layer=layer, kept=layer is not None,
               fallback=number == 2, reason=None if layer is not None else f"too much bleed: {number} dB")


def _one_shot(folder: Path, drum: Drum, how: str, layer: int, robin: int, hit: Hit, layers: int) -> OneShot:
    stem = f"{drum.name}_{how.replace(' ', '-')}_V{layer:02d}_RR{robin:02d}"
    place = f"samples/{drum.name}/{how.replace(' ', '-')}/{stem}"
    level = (hit.level_db or 0) - 3
    files = (_sample(folder, f"{place}_{drum.home.replace(' ', '')}.wav", (drum.home,), hit.id, level),
             _sample(folder, f"{place}_OH.wav", ("OH L", "OH R"), hit.id, level - 12))
    step = 127 // layers
    velocity = (1 + (layer - 1) * step, 127 if layer == layers else layer * step)
    return OneShot(hit.id, drum.name, how, layer, robin, velocity, files[0].grade, 182.4, 0.31,
                   30.0 if robin == 3 else 50.0, files)


def _print(folder: Path) -> Print:
    path = "prints/kick-replacement/kick_hit_V03_RR01.wav"
    (folder / path).parent.mkdir(parents=True, exist_ok=True)
    write_wav(folder / path, stroke(1, -1.0, 99), RATE, "PCM_24")
    return Print("kick replacement", 7, "kick", "hit", 3, 1, (85, 127), {"Kick In": PrintMic(0.0, 0, 1)}, path, FRAMES,
                 7 * RATE, 0, 1, -1.2, -1.0, -12.0, "0" * 64, 1, "cleanest of 9, nothing in its tail")
