"""A kit played back: notes in, stereo out, by the same law that the mappings follow.

Layers by velocity, alternates in turn for each key and layer, strokes of one choke group cutting each other, a limit of
voices for each key, the balance's mix of the mics. All mics of a stroke start together, with the file's pre-roll before
the note, so that the attack falls on the note's frame.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import soxr

from oneshot.core.records.kit import Kit, OneShot
from oneshot.core.records.session import Floats
from oneshot.cutting.fades import fade_out_curve
from oneshot.cutting.mix import mixdown
from oneshot.kit.playback import keymap
from oneshot.kit.playback.keymap import CHOKE_S, Key

KEPT_SHOTS = 48
"""Mixed one-shots held in memory at once; more are read again."""


@dataclass(frozen=True, slots=True, order=True)
class Note:
    """One stroke to play: the frame its attack falls on, the MIDI key and the velocity, 1 to 127."""

    at: int
    key: int
    velocity: int


@dataclass(frozen=True, slots=True)
class Voice:
    """One stroke as it will sound: which one-shot, from which frame, at what gain, until which frame it is cut (None:
    it rings out).
    """

    note: Note
    key: Key
    shot: OneShot
    gain_db: float
    cut_at: int | None


@dataclass(slots=True)
class Player:
    """Plays a kit at one sample rate. ``missing``: keys that notes asked for and the kit does not have, with counts."""

    folder: Path
    kit: Kit
    sample_rate: int
    missing: dict[int, int] = field(default_factory=dict)
    _keys: dict[int, Key] = field(init=False)
    _mixed: dict[int, tuple[Floats, int]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._keys = {key.key: key for key in keymap.keys_of(self.kit, keymap.mix_levels(self.kit))}

    def voices(self, notes: Sequence[Note]) -> list[Voice]:
        """What sounds for these notes, in order of time: alternates in turn, chokes and voice limits applied.

        Notes on keys that the kit does not have are counted in ``missing``.
        """
        turn: dict[tuple[int, int], int] = {}
        out: list[Voice] = []
        open_voices: dict[int | str, list[int]] = {}
        for note in sorted(notes):
            key = self._keys.get(note.key)
            if key is None:
                self.missing[note.key] = self.missing.get(note.key, 0) + 1
                continue
            layer = key.layer(note.velocity)
            count = turn.get((note.key, layer.number), 0)
            turn[note.key, layer.number] = count + 1
            shot = layer.alternates[count % len(layer.alternates)]
            self._cut(out, open_voices, key, note)
            out.append(Voice(note, key, shot, layer.gain_db(shot, note.velocity), None))
            open_voices.setdefault(key.key, []).append(len(out) - 1)
            if key.drum.choke is not None:
                open_voices.setdefault(key.drum.choke, []).append(len(out) - 1)
        return out

    def _cut(self, out: list[Voice], open_voices: dict[int | str, list[int]], key: Key, note: Note) -> None:
        """Cut what a new note of this key ends: its choke group, and the key's oldest voice beyond the limit."""
        ended = open_voices.get(key.drum.choke, []) if key.drum.choke else []
        same = open_voices.get(key.key, [])
        ended = [*ended, *same[:max(0, len(same) - key.voices + 1)]]
        for at in ended:
            voice = out[at]
            if voice.cut_at is None:
                out[at] = Voice(voice.note, voice.key, voice.shot, voice.gain_db, note.at)
        for name, members in open_voices.items():
            open_voices[name] = [at for at in members if at not in ended]

    def play(self, notes: Sequence[Note]) -> Floats:
        """Everything mixed: float64 (2, frames), full scale 1.0, not limited. Frame 0 is frame 0 of the notes.

        Raises AudioError where a file of the kit cannot be read.
        """
        sounds = list(self._sounds(self.voices(notes)))
        frames = max((start + x.shape[1] for start, x in sounds), default=0)
        out = np.zeros((2, max(frames, 0)))
        for start, x in sounds:
            skip = max(0, -start)
            out[:, start + skip:start + x.shape[1]] += x[:, skip:]
        return out

    def _sounds(self, voices: Sequence[Voice]) -> Iterator[tuple[int, Floats]]:
        """(first frame, audio) of each voice."""
        for voice in voices:
            x, onset = self._shot(voice.shot)
            start = voice.note.at - onset
            yield start, self._faded(x * 10 ** (voice.gain_db / 20), start, voice.cut_at)

    def _faded(self, x: Floats, start: int, cut_at: int | None) -> Floats:
        """A sound that fades out from ``cut_at`` on; whole where it ends before."""
        if cut_at is None or cut_at - start >= x.shape[1]:
            return x
        keep = max(0, cut_at - start)
        fade = fade_out_curve(round(CHOKE_S * self.sample_rate))[: x.shape[1] - keep]
        return np.concatenate([x[:, :keep], x[:, keep:keep + len(fade)] * fade], axis=1)

    def _shot(self, shot: OneShot) -> tuple[Floats, int]:
        """A one-shot mixed at this player's rate, and the frame of its attack."""
        if shot.hit not in self._mixed:
            while len(self._mixed) >= KEPT_SHOTS:
                self._mixed.pop(next(iter(self._mixed)))
            x, rate = mixdown.stereo(self.folder, shot, self.kit.balance)
            onset = shot.files[0].onset_frame
            if rate != self.sample_rate:
                x = np.ascontiguousarray(soxr.resample(x.T, rate, self.sample_rate, quality="VHQ").T)
                onset = round(onset * self.sample_rate / rate)
            self._mixed[shot.hit] = (x, onset)
        return self._mixed[shot.hit]


def performance(kit: Kit, take: str) -> list[tuple[int, Note]]:
    """The hits of a take as notes: (hit, note at its onset in take frames), velocities from the levels measured.

    Drums struck together with a hit play along, in their ordinary stroke. What has no key in the kit, or no level that
    could be told, stays out.
    """
    every = keymap.keys_of(kit, keymap.hit_levels(kit))
    keys = {(key.drum.name, key.articulation): key for key in reversed(every)}
    left = {(key.drum.name, key.articulation): key for key in every if key.hand == "left"}
    usual = {drum: key for (drum, _), key in keys.items()}
    out = []
    for hit in kit.hits:
        if hit.take == take:
            stroke = (hit.drum, hit.articulation)
            struck = [((left if hit.hand == "left" and stroke in left else keys).get(stroke), hit.level_db)]
            struck += [(usual.get(partner.drum), partner.level_db) for partner in hit.partners]
            out += [(hit.id, Note(hit.onset, key.key, key.velocity(level)))
                    for key, level in struck if key is not None and level is not None]
    return out
