"""A small finished kit that is exactly what it says it is, for tests of exporters and of verify."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

import numpy as np

from oneshot.audio.io import read_audio, write_wav
from oneshot.audio.loudness import Levels, measure
from oneshot.config.recipe import Recipe
from oneshot.config.recipe_file import recipe_toml, recipe_values
from oneshot.core.records.hits import Articulation, Delay, Drum, Hit, Ornament, Partner
from oneshot.core.records.kit import Fader, Kit, OneShot, Print, PrintMic, Sample, TakeNoise
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Mic, Session, Source, Take
from oneshot.cutting.fades import Samples, render
from oneshot.kit.export import write_all

RATE = 44100
FRAMES = 22050
ATTACK = 132
MICS = (Mic("Kick In", Role.CLOSE, "kick", "in"), Mic("Hat", Role.CLOSE, "hat"),
        Mic("OH L", Role.OVERHEAD, pair="OH", side="L"), Mic("OH R", Role.OVERHEAD, pair="OH", side="R"))
DRUMS = (Drum("kick", "kick", "Kick In", (Articulation("hit", 36),)),
         Drum("hat", "hat", "Hat", (Articulation("closed", 42), Articulation("open", 46)), choke="hat"))
LAYERS = {"hit": ((1, 60, -31.0), (61, 100, -22.5), (101, 127, -15.0)), "closed": ((1, 64, -40.0), (65, 127, -30.0)),
          "open": ((1, 127, -28.0),)}
"""For each articulation the layers' velocity range and level."""
ROBINS = 2


def example_kit(folder: Path) -> Kit:
    """Write a whole kit folder, mappings and all, and give its ``Kit``."""
    folder.mkdir(exist_ok=True)
    hits: list[Hit] = []
    shots: list[OneShot] = []
    for drum in DRUMS:
        for articulation in drum.articulations:
            for layer, (low, high, level) in enumerate(LAYERS[articulation.name], start=1):
                for robin in range(1, ROBINS + 1):
                    hit = _hit(len(hits), drum, articulation.name, level + robin / 10, layer)
                    hits.append(hit)
                    shots.append(OneShot(hit.id, drum.name, articulation.name, layer, robin, (low, high), "B", 61.234,
                                         0.4123, float("nan"), _files(folder, drum, articulation.name, hit, robin)))
    hits.append(replace(_hit(len(hits), DRUMS[0], "hit", -50.0, None), kept=False, reason="too soft",
                        partners=(Partner("hat", None),), ornament=Ornament("flam", 3), level_db=None,
                        bleed_db={"Kick In": None}, onsets={"Kick In": 1, "Hat": None}))
    takes = (Take("take 1", RATE, 40 * RATE, "PCM_24",
                  tuple(replace(mic, sources=(Source(f"take 1/{mic.name}.wav", 0, 0, 40 * RATE),)) for mic in MICS)),)
    recipe = Recipe()
    kit = Kit(
        session=Session("Chapel", folder.parent, takes), generator="oneshot 0.1.0", recipe=recipe_values(recipe),
        noise=(TakeNoise("take 1", {"Kick In": -80.0, "Hat": -82.123, "OH L": -84.0, "OH R": None}),),
        polarity={"take 1": {"Kick In": 1, "OH L": -1}}, polarity_measured={"take 1": ("OH L",)},
        balance={"Kick In": Fader(0.0), "Hat": Fader(-2.0, 0.4), "OH L": Fader(-3.5, -1.0), "OH R": Fader(-3.5, 1.0)},
        drums=DRUMS, bleed={"take 1": {"kick": {"Kick In": 0.0, "Hat": -0.001}}},
        delays_ms={"take 1": {"kick": {"Kick In": 0.0, "OH L": 3.94321}}},
        delays={"take 1": {"kick": {"Kick In": Delay(0.0, 0.0, 12, 0.0),
                                    "OH L": Delay(3.94321, 0.02134, 12, 1.35331)}}},
        hits=tuple(hits), one_shots=tuple(shots),
        prints=(_print(folder),))
    write_all(kit, folder)
    (folder / "recipe.toml").write_text(recipe_toml(recipe), encoding="utf-8")
    (folder / "report.html").write_text("<!doctype html><title>Chapel</title>", encoding="utf-8")
    return kit


def _hit(number: int, drum: Drum, articulation: str, level_db: float, layer: int | None) -> Hit:
    onset = (number + 1) * RATE
    return Hit(number, "take 1", onset, {mic.name: onset for mic in MICS}, drum.name, articulation, 0.98765, level_db,
               {mic.name: -33.333 for mic in MICS}, True, (drum.home,), layer=layer, kept=True)


def _files(folder: Path, drum: Drum, articulation: str, hit: Hit, robin: int) -> tuple[Sample, ...]:
    random = np.random.default_rng(hit.id)
    shape = np.exp(-np.arange(FRAMES - ATTACK) / RATE / 0.05)
    files = []
    for name, mics in ((drum.home.replace(" ", ""), (drum.home,)), ("OH", ("OH L", "OH R"))):
        x = np.zeros((len(mics), FRAMES))
        x[:, ATTACK:] = 10 ** ((hit.level_db or 0) / 20) * shape * random.uniform(-1, 1, (len(mics), FRAMES - ATTACK))
        path = (f"samples/{drum.name}/{articulation}/{drum.name}_{articulation}_V{hit.layer:02d}_RR{robin:02d}"
                f"_{name}.wav")
        levels, digest = _store(folder / path, render(x, fade_in=44, fade_out=2205))
        files.append(Sample(mics, path, FRAMES, hit.onset - ATTACK, ATTACK, 44, 2205, 0.0, False, "A", hit.id, (),
                            levels.peak_dbfs, levels.true_peak_dbtp, levels.momentary_lufs, levels.integrated_lufs,
                            -33.333, digest))
    return tuple(files)


def _store(path: Path, x: Samples) -> tuple[Levels, str]:
    """Write a file; its four levels and its sum."""
    path.parent.mkdir(parents=True, exist_ok=True)
    write_wav(path, x, RATE, "PCM_24")
    return measure(read_audio(path)[0], RATE), hashlib.sha256(path.read_bytes()).hexdigest()


def _print(folder: Path) -> Print:
    path = "prints/kick_replacement/kick_hit_V03_RR01.wav"
    x = np.zeros((1, 17640))
    x[0, 4:] = 0.8 * np.sin(np.arange(17636) / 100) * np.exp(-np.arange(17636) / 1000)
    levels, digest = _store(folder / path, render(x, fade_in=4, fade_out=2646))
    return Print("kick replacement", 4, "kick", "hit", 3, 1, (101, 127), {"Kick In": PrintMic(4.321, 0, -1)}, path,
                 17640, 5 * RATE - 4, 4, 1, levels.peak_dbfs, levels.true_peak_dbtp, levels.momentary_lufs, digest, 1,
                 "cleanest: decay 0.40 s")
