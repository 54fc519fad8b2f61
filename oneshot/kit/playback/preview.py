"""Preview: a kit heard, as a sound file: a groove, a MIDI file, or a take of the session replayed through its own kit;
a kit of nothing but prints, one after the other.

The replay is the proof that a kit works: it is lined up with the recording frame by frame, and what differs is told per
drum. Drums that were struck together and rings that overlap are in both.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from statistics import median

import numpy as np

from oneshot.audio.io import TakeReader, write_long_wav
from oneshot.audio.loudness import Meter
from oneshot.audio.riff import info_chunk, read_chunk
from oneshot.audio.spool import Spool
from oneshot.core.errors import AudioError, KitError, WorkError
from oneshot.core.files import appearing, reason
from oneshot.core.records.hits import Hit
from oneshot.core.records.kit import Kit, kit_info
from oneshot.core.records.session import Chunk, Floats, Problem, Session, Take
from oneshot.core.user_state import session_of, tracks_of
from oneshot.cutting.mix import balance
from oneshot.kit.playback import grooves, keymap, prints_in_turn, sampler
from oneshot.kit.playback.levelling import Levelling
from oneshot.kit.playback.sampler import Note, Player
from oneshot.kit.read import read_kit, with_processed
from oneshot.session.open import open_session
from oneshot.session.output_paths import check_target

MOST_H = 24
"""Longest preview in hours."""
HEARD_S = 0.1
"""Over which a stroke is compared with its recording."""
REACH_S = 0.003
"""How far apart a stroke and its replay are looked for."""
SUBTYPE = "PCM_24"
SUBJECT = "preview of a drum kit"


@dataclass(frozen=True, slots=True)
class Replayed:
    """How a drum's replay differs from its recording: medians over ``strokes`` of level (dB) and time (ms), replay
    minus recording, and half the range from the 16th to the 84th percentile of the level.
    """

    drum: str
    strokes: int
    level_db: float
    spread_db: float
    late_ms: float


@dataclass(frozen=True, slots=True)
class Preview:
    """What was written.

    The take replayed, if any; seconds; strokes played; loudness (LUFS) and true peak (dBTP); by how much the loudest
    peak was held back (dB); the comparison with the take's recording; what is to be told.
    """

    path: Path
    take: str | None
    seconds: float
    notes: int
    integrated_lufs: float | None
    true_peak_dbtp: float | None
    held_back_db: float
    replayed: tuple[Replayed, ...] = ()
    problems: tuple[Problem, ...] = ()


def preview(folder: Path, out: Path, *, midi: Path | None = None, take: str | None = None,
            session_path: Path | None = None) -> Preview:
    """Play a kit to a 24-bit WAV: the built-in groove unless a MIDI file or a take is named; a kit of nothing but
    prints, the best of each layer in turn.

    Raises KitError where the folder is no kit, the take is not in it, or nothing of what is asked can be played;
    SettingsError where ``out`` lies in a session or is there and is no preview of this kit; WorkError where the disk
    refuses. What was at ``out`` is then as it was, and nothing else is left there.
    """
    kit = read_kit(folder)
    check_target(out, sessions=(session_path, session_of(folder)), ours=lambda path: _is_ours(path, kit))
    if kit.prints_alone and midi is None and take is None:
        return _prints_played(folder, kit, out)
    if not kit.one_shots:
        raise KitError(f"{folder}: has prints and no mappings, which notes could play: leave out --midi and --take"
                       if kit.prints else f"{folder}: has no one-shot to play")
    rates = [each.sample_rate for each in kit.session.takes]
    rate = _take(kit, take).sample_rate if take is not None else max(rates)
    band = Player(folder, kit, rate)
    keys = keymap.keys_of(kit, keymap.mix_levels(kit))
    notes = [note for _, note in sampler.performance(kit, take)] if take is not None else \
        grooves.read_midi(midi, rate) if midi is not None else grooves.groove(keys, rate)
    _check_length(midi or take or folder, notes, rate)
    there = out.resolve().parent
    session = open_session(session_path) if take is not None and session_path else None
    with _written(out), Spool(2, there) as sound:
        meter = Meter(2, rate)
        sound.take(_metered(band.blocks(notes), meter))
        if meter.levels.peak_dbfs is None:
            raise KitError(f"{midi or take or folder}: none of its keys is in the kit; keys of the kit: "
                           f"{', '.join(str(key.key) for key in keys)}")
        replayed = compare(folder, kit, take, session, there) if take is not None and session is not None else ()
        lost = [Problem(str(midi), f"uses key {key} {count} times, which the kit does not have", "choose another key")
                for key, count in sorted(band.missing.items())]
        return _levelled(kit, out, sound, rate, meter, Preview(
            out, take, 0.0, len(notes) - sum(band.missing.values()), None, None, 0.0, replayed, tuple(lost)))


def _prints_played(folder: Path, kit: Kit, out: Path) -> Preview:
    """A kit of nothing but prints to a 24-bit WAV: the best of each layer in turn, from soft to hard."""
    rate = max(each.sample_rate or kit.session.take(take).sample_rate for each in kit.prints
               for take in [next(hit.take for hit in kit.hits if hit.id == each.hit)])
    prints = prints_in_turn.ladder(kit)
    with _written(out), Spool(2, out.resolve().parent) as sound:
        meter = Meter(2, rate)
        sound.take(_metered(prints_in_turn.blocks(folder, prints, rate), meter))
        if meter.levels.peak_dbfs is None:
            raise KitError(f"{folder}: its prints are silent")
        return _levelled(kit, out, sound, rate, meter, Preview(out, None, 0.0, len(prints), None, None, 0.0))


def _levelled(kit: Kit, out: Path, sound: Spool, rate: int, meter: Meter, said: Preview) -> Preview:
    """Write what was played at its loudness; ``said``: the rest of what is told of it."""
    levelling = Levelling(sound, rate, meter.levels)
    found = levelling.to_loudness()
    with appearing(out) as beside:
        write_long_wav(beside, levelling.blocks(found.gain_db, found.limit), sound.frames, 2, rate, SUBTYPE,
                       [_mark(kit)])
    return replace(said, seconds=sound.frames / rate, integrated_lufs=found.levels.integrated_lufs,
                   true_peak_dbtp=found.levels.true_peak_dbtp, held_back_db=found.held_back_db)


def _metered(blocks: Iterable[Floats], meter: Meter) -> Iterator[Floats]:
    """The same blocks, measured on their way."""
    for block in blocks:
        meter.add(block)
        yield block


def _check_length(source: Path | str, notes: Sequence[Note], sample_rate: int) -> None:
    """Raise KitError where the notes last longer than any preview may: a tempo gone wrong can make it years."""
    hours = max((note.at for note in notes), default=0) / sample_rate / 3600
    if hours > MOST_H:
        raise KitError(f"{source}: plays for {hours:,.0f} hours, and a preview has at most {MOST_H}: check its tempo, "
                       "or play a part of it")


@contextmanager
def _written(out: Path) -> Iterator[None]:
    """Inside, raise WorkError where the disk refuses."""
    try:
        yield
    except OSError as error:
        raise WorkError(f"{out} cannot be written ({reason(error)}): choose another place or free some "
                        "space") from None


def record(made: Preview) -> dict[str, object]:
    """A preview as plain types, figures rounded, for programs and for the lines that people read."""
    def figures(row: dict[str, object]) -> dict[str, object]:
        """The same, numbers rounded to two places."""
        return {name: round(value, 2) + 0.0 if isinstance(value, float) else value for name, value in row.items()}

    return {**figures(asdict(made)), "path": str(made.path),
            "replayed": [figures(asdict(row)) for row in made.replayed],
            "problems": [asdict(problem) for problem in made.problems]}


def _mark(kit: Kit) -> Chunk:
    """What a preview says of itself, by which the next one knows that it may take its place."""
    return info_chunk({"INAM": str(kit_info(kit)["name"]), "ISBJ": SUBJECT, "ISFT": "oneshot"})


def _is_ours(path: Path, kit: Kit) -> bool:
    """Whether a file is a preview of that kit."""
    try:
        return read_chunk(path, b"LIST") == _mark(kit).data
    except (AudioError, OSError):
        return False


def _take(kit: Kit, name: str) -> Take:
    try:
        return kit.session.take(name)
    except KeyError:
        names = ", ".join(each.name for each in kit.session.takes)
        raise KitError(f"this kit has no take {name!r}: choose one of {names}") from None


# ----------------------------------------------------------------------------------------------------------- comparison


def compare(folder: Path, kit: Kit, take: str, session: Session, scratch: Path | None = None) -> tuple[Replayed, ...]:
    """Each drum's replay against the recording of the take, both in the mics that the drum's one-shots bring, by the
    kit's balance: what other drums' close mics hear of it is bleed, which no kit plays. ``scratch``: on whose disk the
    replay lies meanwhile; None: where temporary files go.

    Raises KitError where the session does not have the take, AudioError where a file cannot be read.
    """
    try:
        there = with_processed(session, kit, tracks_of(folder)).take(take)
    except KeyError:
        raise KitError(f"{session.root}: has no take {take!r}; name the session the kit was built "
                       "from") from None
    on = [mic.name for mic in there.mics if mic.name in kit.balance and kit.balance[mic.name].on]
    sets: dict[tuple[str, ...], list[str]] = {}
    for drum in sorted({shot.drum for shot in kit.one_shots}):
        brought = {mic for shot in kit.one_shots if shot.drum == drum for file in shot.files
                   for mic in file.mix_of or file.mics}
        sets.setdefault(tuple(name for name in on if name in brought), []).append(drum)
    performance = sampler.performance(kit, take)
    played = {hit for hit, _ in performance}
    found: dict[str, list[tuple[float, float]]] = {}
    for mics, drums in sets.items():
        some = replace(kit, balance={name: kit.balance[name] for name in mics})
        hits = [h for h in kit.hits if h.id in played and not h.partners and h.drum in drums]
        with Spool(2, scratch) as replay:
            replay.take(Player(folder, some, there.sample_rate).blocks([note for _, note in performance]))
            for drum, one in _strokes(session.root, there, some, hits, replay):
                found.setdefault(drum, []).append(one)
    return tuple(_summary(drum, found[drum]) for drum in sorted(found))


def _strokes(root: Path, take: Take, kit: Kit, hits: Sequence[Hit],
             replay: Spool) -> Iterator[tuple[str, tuple[float, float]]]:
    """(drum, (level in dB, lateness in ms)) of each stroke that sounds in both, in the mics of the kit's balance."""
    names, margin = list(kit.balance), round(REACH_S * take.sample_rate)
    if not names:
        return
    with TakeReader(root, take, names) as reader:
        for hit in hits:
            start, stop = hit.onset - margin, hit.onset + round(HEARD_S * take.sample_rate) + margin
            audio = dict(zip(names, reader.read(start, stop).astype(np.float64), strict=True))
            one = _one_stroke(balance.mix(audio, kit.balance), replay.read(start, stop), margin)
            if one is not None:
                yield hit.drum, (one[0], one[1] / take.sample_rate * 1000)


def _one_stroke(recorded: Floats, replay: Floats, margin: int) -> tuple[float, float] | None:
    """(level difference in dB, frames by which the replay is late) of one stroke; None where one of them is silent."""
    inside = slice(margin, recorded.shape[1] - margin)
    a, b = float(np.sum(recorded[:, inside] ** 2)), float(np.sum(replay[:, inside] ** 2))
    if a <= 0 or b <= 0:
        return None
    # where the energy of the stroke rises: envelopes line up also where another stroke of the drum is replayed
    rise = [np.maximum(np.diff(np.log(np.convolve(np.sum(x**2, axis=0), np.ones(16), "same") + 1e-9 * (a + b))), 0)
            for x in (recorded, replay)]
    shifts = range(-margin, margin + 1)
    likeness = [float(np.dot(rise[0][margin:-margin], np.roll(rise[1], -shift)[margin:-margin])) for shift in shifts]
    return 10 * float(np.log10(b / a)), float(shifts[int(np.argmax(likeness))])


def _summary(drum: str, rows: list[tuple[float, float]]) -> Replayed:
    level = np.array([row[0] for row in rows])
    low, high = np.percentile(level, [16, 84])
    return Replayed(drum, len(rows), float(np.median(level)), float(high - low) / 2,
                    float(median(row[1] for row in rows)))

