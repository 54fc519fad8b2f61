"""mappings/kit.mid, the key map as a file that walks through every key and layer; mappings/keys.csv, the same as a
table; mappings/played-<take>.mid, every take as a performance to play or give away.

Standard MIDI Files, type 0, channel 10 (General MIDI's percussion), 960 ticks a quarter note at 120 a minute, so that a
tick is 0.52 ms. The tempo is a carrier of times, not that of the music, which nobody measured.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from pathlib import Path

import mido

from oneshot.config.corrections_file import safe_name
from oneshot.core.files import write_atomic
from oneshot.core.records.kit import Kit
from oneshot.core.records.session import Take
from oneshot.core.text import one_line
from oneshot.kit.export.hits_csv import cell
from oneshot.kit.playback import keymap
from oneshot.kit.playback.sampler import performance

WALK, KEYS, TAKE = "mappings/kit.mid", "mappings/keys.csv", "mappings/played-{}.mid"
CHANNEL = 9
"""Channel 10, counted from 0."""
TICKS_A_QUARTER = 960
TEMPO_US = 500_000
TICKS_A_SECOND = TICKS_A_QUARTER * 1_000_000 / TEMPO_US
NOTE_S = 0.05
STEP_S, REST_S = 0.6, 1.2
"""Between two notes of the walk, and between two keys."""


def write(kit: Kit, folder: Path) -> list[Path]:
    """The walk, the table and each take, below the kit's folder; their paths."""
    (folder / "mappings").mkdir(exist_ok=True)
    out = [folder / WALK, folder / KEYS]
    write_atomic(out[0], midi_bytes(kit.session.name, walk(kit)))
    write_atomic(out[1], key_table(kit))
    for name, take in _takes(kit).items():
        notes = [(note.at / take.sample_rate, note.key, note.velocity) for _, note in performance(kit, take.name)]
        if notes:
            write_atomic(folder / name, midi_bytes(take.name, notes))
            out.append(folder / name)
    return out


def names(kit: Kit) -> list[str]:
    """Paths of what ``write`` may write, from the kit's folder."""
    return [WALK, KEYS, *_takes(kit)]


def _takes(kit: Kit) -> dict[str, Take]:
    """Path of a performance -> the take it is of."""
    out: dict[str, Take] = {}
    for number, take in enumerate(kit.session.takes, start=1):
        name = TAKE.format(safe_name(take.name) or number)
        if name in out:  # two takes whose names differ only in what a file name cannot show
            name = TAKE.format(f"{safe_name(take.name)}-{number}")
        out[name] = take
    return out


def walk(kit: Kit) -> list[tuple[float, int, int]]:
    """(second, key, velocity): each key from its softest layer up, each round robin once, at the layer's middle."""
    notes, at = [], 0.0
    for key in keymap.keys_of(kit, keymap.hit_levels(kit)):
        for layer in key.layers:
            for _ in layer.alternates:
                notes.append((at, key.key, (layer.low + layer.high) // 2))
                at += STEP_S
        at += REST_S
    return notes


def midi_bytes(name: str, notes: Iterable[tuple[float, int, int]]) -> bytes:
    """A type 0 Standard MIDI File of notes (second, key, velocity). What comes before 0 s starts at 0."""
    events = []
    for at, key, velocity in notes:
        start = max(0, round(at * TICKS_A_SECOND))
        events.append((start, 1, key, velocity))
        events.append((start + round(NOTE_S * TICKS_A_SECOND), 0, key, 0))
    track = mido.MidiTrack([
        mido.MetaMessage("track_name", name=one_line(name).encode("ascii", "replace").decode("ascii")),
        mido.MetaMessage("set_tempo", tempo=TEMPO_US)])
    before = 0
    for tick, on, key, velocity in sorted(events):
        track.append(mido.Message("note_on" if on else "note_off", channel=CHANNEL, note=key, velocity=velocity,
                                  time=tick - before))
        before = tick
    track.append(mido.MetaMessage("end_of_track", time=round(REST_S * TICKS_A_SECOND)))
    out = io.BytesIO()
    mido.MidiFile(type=0, ticks_per_beat=TICKS_A_QUARTER, tracks=[track]).save(file=out)
    return out.getvalue()


def key_table(kit: Kit) -> str:
    """The key map as CSV: one line a key and layer."""
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\n")
    table.writerow(["key", "drum", "articulation", "layer", "velocity_from", "velocity_to", "round_robins",
                    "hand"])
    for key in keymap.keys_of(kit, keymap.hit_levels(kit)):
        for layer in key.layers:
            table.writerow([key.key, cell(key.drum.name), cell(key.articulation), layer.number, layer.low,
                            layer.high, len(layer.alternates), key.hand or ""])
    return out.getvalue()
