"""A kit played back: notes in, stereo out, by the same law that the mappings follow.

Layers by velocity, round robins in turn for each key and layer, hits of one choke group cutting each other, a limit of
voices for each key, the balance's mix of the mics. All mics of a stroke start together, with the file's pre-roll before
the note, so that the attack falls on the note's frame.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import soxr

from oneshot.audio.io import BLOCK, RATES
from oneshot.core.records.kit import Kit, OneShot
from oneshot.core.records.session import Floats
from oneshot.cutting.fades import fade_out_curve
from oneshot.cutting.mix import mixdown
from oneshot.kit.playback import keymap
from oneshot.kit.playback.keymap import CHOKE_S, Key

KEPT_BYTES = 200_000_000
"""Of mixed one-shots that stay in memory when they have sounded; more are read again."""


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


@dataclass(frozen=True, slots=True, eq=False)
class _Sounding:
    """A voice with its sound: float64 (2, frames) from frame ``start`` on, whole for ``keep`` frames and then faded."""

    x: Floats
    gain: float
    start: int
    keep: int
    fade: Floats

    @property
    def end(self) -> int:
        """The frame after its last."""
        return self.start + self.keep + len(self.fade)

    def add_to(self, out: Floats, at: int) -> None:
        """Add what sounds of it to a block that begins with frame ``at``."""
        low, high = max(self.start, at), min(self.end, at + out.shape[1])
        if high <= low:
            return
        part = self.x[:, low - self.start:high - self.start] * self.gain
        faded = max(low - self.start, self.keep)
        if high - self.start > faded:
            part[:, faded - low + self.start:] *= self.fade[faded - self.keep:high - self.start - self.keep]
        out[:, low - at:high - at] += part


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
        """What sounds for these notes, in order of time: round robins in turn, chokes and voice limits applied.

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
        """Everything mixed, as in ``blocks``, in one piece: for what is known to be short."""
        return np.concatenate([np.zeros((2, 0)), *self.blocks(notes)], axis=1)

    def blocks(self, notes: Sequence[Note]) -> Iterator[Floats]:
        """Everything mixed, in blocks: float64 (2, frames), full scale 1.0, not limited. Frame 0 is that of the notes.

        In memory are the one-shots that sound, and some of those before. Raises AudioError where a file of the kit
        cannot be read.
        """
        waiting = deque(self.voices(notes))
        lead = self._longest_lead(waiting)
        sounding: list[_Sounding] = []
        at = 0
        while waiting or sounding:
            stop = at + BLOCK
            while waiting and waiting[0].note.at - lead < stop:
                sounding.append(self._sounding(waiting.popleft()))
            end = stop if waiting else min(stop, max(each.end for each in sounding))
            out = np.zeros((2, max(end - at, 0)))
            for each in sounding:
                each.add_to(out, at)
            yield out
            sounding = [each for each in sounding if each.end > stop]
            at = stop

    def _longest_lead(self, voices: Iterable[Voice]) -> int:
        """How many frames before its note a voice can begin, at most: the attack of a file, at the lowest rate that is
        read.
        """
        attacks = (min(file.onset_frame, file.frames) for voice in voices for file in voice.shot.files[:1])
        return -(-max(attacks, default=0) * max(self.sample_rate, RATES[0]) // RATES[0])

    def _sounding(self, voice: Voice) -> _Sounding:
        """A voice with its sound; it ends with the fade that begins where it is cut."""
        x, onset = self._shot(voice.shot)
        start = voice.note.at - onset
        keep, fade = x.shape[1], np.ones(0)
        if voice.cut_at is not None and voice.cut_at - start < keep:
            keep = max(0, voice.cut_at - start)
            fade = fade_out_curve(round(CHOKE_S * self.sample_rate))[:x.shape[1] - keep]
        return _Sounding(x, 10 ** (voice.gain_db / 20), start, keep, fade)

    def _shot(self, shot: OneShot) -> tuple[Floats, int]:
        """A one-shot mixed at this player's rate, and the frame of its attack."""
        if shot.hit in self._mixed:
            self._mixed[shot.hit] = self._mixed.pop(shot.hit)  # those used last stay longest
        else:
            x, rate = mixdown.stereo(self.folder, shot, self.kit.balance)
            onset = shot.files[0].onset_frame
            if rate != self.sample_rate:
                x = np.ascontiguousarray(soxr.resample(x.T, rate, self.sample_rate, quality="VHQ").T)
                onset = round(onset * self.sample_rate / rate)
            self._mixed[shot.hit] = (x, onset)
            while len(self._mixed) > 1 and sum(kept.nbytes for kept, _ in self._mixed.values()) > KEPT_BYTES:
                self._mixed.pop(next(iter(self._mixed)))
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
