"""Notes to play a kit by: a groove of the project's own, and Standard MIDI Files.

A groove is written in words of the trade: one line a drum and stroke, one sign a sixteenth, ``.`` a rest, ``1`` to
``9`` a stroke from soft to hard.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from io import BytesIO
from pathlib import Path

import mido

from oneshot.core.bounded_text import read_bounded
from oneshot.core.errors import KitError
from oneshot.kit.playback.keymap import Key
from oneshot.kit.playback.sampler import Note

QUARTERS_A_MINUTE = 96
BARS: tuple[tuple[tuple[str, tuple[str, ...], str], ...], ...] = (
    (("kick", (), "9......6..8....."), ("snare", (), "....8..1.1..8..1"),
     ("hat", ("closed",), "6.3.6.3.6.3.6.4.")),
    (("kick", (), "9..4....7.8....."), ("snare", (), "....8..2.1..9..."),
     ("hat", ("closed",), "6.3.6.3.6.3.6..."), ("hat", ("open",), "..............7.")),
    (("kick", (), "9.....5.8......."), ("snare", (), "....8.1..1..8.12"),
     ("ride", ("bow",), "7.4.6.4.7.4.6.4."), ("hat", ("foot",), "....5.......5...")),
    (("kick", (), "9......6.......8"), ("snare", (), "....8...468....."),
     ("tom", (), "..........579..."), ("hat", ("closed",), "6.3.6.3........."), ("crash", (), "8...............")),
)
"""(kind of drum, strokes wanted, first found first, a bar of sixteenths): played one after the other, twice."""
TOURS = 2
UNTOLD = "cymbal"
"""Plays the lines of a ride and of a crash that a kit does not have: which of the two it is, nobody said."""

MOST_BYTES = 4 << 20
"""Largest MIDI file: over a day of eight strokes a second (three to four bytes a message, two messages a stroke)."""

_KEY_SIGNATURE = re.compile(rb"\xff\x59\x02..", re.DOTALL)
"""The meta event of a key signature (Standard MIDI Files 1.0): sharps or flats, and major or minor."""


def groove(keys: Sequence[Key], sample_rate: int) -> list[Note]:
    """The built-in groove on what the kit has. A kit of which it plays nothing is walked through, key by key.

    Toms share their line, from high to low; the first note falls half a second in.
    """
    step = 60 / QUARTERS_A_MINUTE / 4
    notes = []
    for bar, lines in enumerate(BARS * TOURS):
        for kind, wanted, signs in lines:
            struck = [(at, sign) for at, sign in enumerate(signs) if sign != "."]
            for count, (at, sign) in enumerate(struck):
                key = _key(keys, kind, wanted, count / max(len(struck), 1))
                if key is not None:
                    frame = round((0.5 + (16 * bar + at) * step) * sample_rate)
                    notes.append(Note(frame, key.key, round(14.1 * int(sign))))
    return sorted(notes) or ladder(keys, sample_rate)


def ladder(keys: Sequence[Key], sample_rate: int) -> list[Note]:
    """Every key and layer from soft to hard, two strokes a second."""
    every = [(key.key, (layer.low + layer.high) // 2) for key in keys for layer in key.layers]
    return [Note(round((0.5 + n / 2) * sample_rate), key, velocity) for n, (key, velocity) in enumerate(every)]


def _key(keys: Sequence[Key], kind: str, wanted: Sequence[str], share: float) -> Key | None:
    """The key that plays a line: its kind's first stroke wanted, else its ordinary one; toms by ``share`` of the
    line.
    """
    mine = [key for key in keys if key.drum.kind == kind]
    if not mine and kind in ("ride", "crash"):
        mine, wanted = [key for key in keys if key.drum.kind == UNTOLD], ()
    named = [key for name in wanted for key in mine if key.articulation == name]
    if named or not mine:
        return named[0] if named else None
    drums = list(dict.fromkeys(key.drum.name for key in mine))
    if kind == "tom":
        drums = sorted(drums, key=lambda name: -min(key.key for key in mine if key.drum.name == name))
        drums = drums[math.floor(share * len(drums)):]
    return next(key for key in mine if key.drum.name == drums[0])


def read_midi(path: Path, sample_rate: int) -> list[Note]:
    """The notes of a MIDI file's channel 10, or of all its channels where nothing is on channel 10.

    Raises KitError with one line where the file cannot be read, is larger than ``MOST_BYTES`` or holds no note.
    """
    try:
        messages = _messages(read_bounded(path, MOST_BYTES))
    except FileNotFoundError:
        raise KitError(f"{path}: no such file") from None
    except (OSError, EOFError, ValueError, KeyError, IndexError, AttributeError, TypeError, ArithmeticError) as error:
        raise KitError(f"{path}: cannot be read as a MIDI file ({str(error) or 'it ends early'}); export it again as a "
                       "Standard MIDI File") from None
    at, found = 0.0, []
    for message in messages:
        at += message.time
        if message.type == "note_on" and message.velocity > 0:
            found.append((message.channel, Note(round(at * sample_rate), message.note, message.velocity)))
    drums = [note for channel, note in found if channel == 9] or [note for _, note in found]
    if not drums:
        raise KitError(f"{path}: has no notes to play")
    return drums


def _messages(data: bytes) -> list[mido.Message]:
    """The messages of a MIDI file in order of time, each with the seconds since the one before. Raises what mido does.

    A key signature that there is not keeps no note from being played: such a file is read once more without them.
    """
    try:
        # clip: a data byte out of range is a damaged note, not a reason to refuse the whole file
        return [message.copy() for message in mido.MidiFile(file=BytesIO(data), clip=True)]
    except mido.KeySignatureError:
        plain = _KEY_SIGNATURE.sub(b"\xff\x59\x02\0\0", data)
    try:
        return [message.copy() for message in mido.MidiFile(file=BytesIO(plain), clip=True)]
    except mido.KeySignatureError as error:
        raise ValueError(str(error)) from None
