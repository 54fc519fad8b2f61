"""Preview: a kit heard, as a sound file: a groove, a MIDI file, or a take of the session replayed through its own kit.

The replay is the proof that a kit works: it is lined up with the recording frame by frame, and what differs is told per
drum. Drums that were struck together and rings that overlap are in both.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from statistics import median

import numpy as np

from oneshot.audio import loudness
from oneshot.audio.io import TakeReader, wav_bytes
from oneshot.audio.riff import info_chunk, read_chunk
from oneshot.core.errors import AudioError, KitError
from oneshot.core.files import write_atomic
from oneshot.core.lazy import later
from oneshot.core.records.hits import Hit
from oneshot.core.records.kit import Kit, kit_info
from oneshot.core.records.session import Chunk, Floats, Problem, Session, Take
from oneshot.core.user_state import session_of, tracks_of
from oneshot.cutting.mix import balance
from oneshot.kit.playback import grooves, keymap, sampler
from oneshot.kit.playback.sampler import Player
from oneshot.kit.read import read_kit, with_processed
from oneshot.session.open import open_session
from oneshot.session.output_paths import check_target

ndimage = later("scipy.ndimage")
signal = later("scipy.signal")

LOUDNESS_LUFS = -16.0
CEILING_DBTP = -1.0
"""Where previews of free packs usually lie. (common practice, no source)"""
_CEILING = 10 ** ((CEILING_DBTP - 0.01) / 20)
"""A little below, so that rounding cannot pass it."""
HOLD_S = 0.005
"""How far ahead of a peak the level begins to give way."""
ROUNDS = 6
"""Of making up for the loudness that was held back; two or three are the rule."""
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
    """Play a kit to a 24-bit WAV: the built-in groove unless a MIDI file or a take is named.

    Raises KitError where the folder is no kit, the take is not in it, or nothing of what is asked can be played;
    SettingsError where ``out`` lies in a session or is there and is no preview of this kit.
    """
    kit = read_kit(folder)
    check_target(out, sessions=(session_path, session_of(folder)), ours=lambda path: _is_ours(path, kit))
    if not kit.one_shots:
        raise KitError(f"{folder}: has no one-shot to play")
    rates = [each.sample_rate for each in kit.session.takes]
    rate = _take(kit, take).sample_rate if take is not None else max(rates)
    band = Player(folder, kit, rate)
    keys = keymap.keys_of(kit, keymap.mix_levels(kit))
    notes = [note for _, note in sampler.performance(kit, take)] if take is not None else \
        grooves.read_midi(midi, rate) if midi is not None else grooves.groove(keys, rate)
    x = band.play(notes)
    if not x.any():
        raise KitError(f"{midi or take or folder}: none of its keys is in the kit; keys of the kit: "
                       f"{', '.join(str(key.key) for key in keys)}")
    replayed = compare(folder, kit, take, open_session(session_path)) if take is not None and session_path else ()
    made, held = at_loudness(x, rate)
    write_atomic(out, wav_bytes(made, rate, SUBTYPE, [_mark(kit)]))
    levels = loudness.measure(made, rate)
    lost = [Problem(str(midi), f"uses key {key} {count} times, which the kit does not have", "choose another key")
            for key, count in sorted(band.missing.items())]
    return Preview(out, take, made.shape[1] / rate, len(notes) - sum(band.missing.values()), levels.integrated_lufs,
                   levels.true_peak_dbtp, held, replayed, tuple(lost))


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


# --------------------------------------------------------------------------------------------------------------- levels


def at_loudness(x: Floats, sample_rate: int) -> tuple[Floats, float]:
    """Stereo at -16 LUFS under a true peak of -1 dBTP, and by how much its highest peak was held back (dB, 0 or more).

    ``x``: float64 (2, frames). Held back is only what passes the ceiling, with a gain that gives way smoothly from
    5 ms before the peak to 5 ms after it.
    """
    gain_db, made, limit = 0.0, x, _CEILING
    for turn in range(ROUNDS):  # what is held back is loudness lost, which the next round makes up for
        level = loudness.integrated_lufs(made, sample_rate)
        level = loudness.momentary_max_lufs(made, sample_rate) if level is None else level
        if level is None or abs(LOUDNESS_LUFS - level) < 0.05:
            break
        gain_db += LOUDNESS_LUFS - level
        louder = x * 10 ** (gain_db / 20)
        if turn < 2:  # peaks between samples pass a ceiling on samples: how far, the first rounds find out
            limit = _sample_limit(louder, limit, sample_rate)
        made = _held(louder, limit, sample_rate)
    made = _held(x * 10 ** (gain_db / 20), _sample_limit(x * 10 ** (gain_db / 20), limit, sample_rate), sample_rate)
    over = 20 * float(np.log10(max(loudness.true_peak(x, sample_rate), 1e-12))) + gain_db - CEILING_DBTP
    return made, max(0.0, over)


def _sample_limit(x: Floats, limit: float, sample_rate: int) -> float:
    """The limit on samples, ``limit`` or lower, under which no true peak passes the ceiling."""
    while (peak := loudness.true_peak(_held(x, limit, sample_rate), sample_rate)) > _CEILING:
        limit *= min(_CEILING / peak, 0.995)
    return limit


def _held(x: Floats, ceiling: float, sample_rate: int) -> Floats:
    """No sample above the ceiling: the gain a peak needs, held over the window's width and smoothed by it."""
    wanted = np.minimum(1.0, ceiling / np.maximum(np.abs(x).max(axis=0), 1e-12))
    width = 2 * round(HOLD_S * sample_rate) + 1
    held = ndimage.minimum_filter1d(wanted, width, mode="nearest")
    window = signal.windows.hann(width, sym=True)
    smooth = signal.oaconvolve(np.pad(held, width // 2, mode="edge"), window / window.sum(), mode="valid")
    out: Floats = x * np.minimum(smooth, wanted)
    return out


# ----------------------------------------------------------------------------------------------------------- comparison


def compare(folder: Path, kit: Kit, take: str, session: Session) -> tuple[Replayed, ...]:
    """Each drum's replay against the recording of the take, both in the mics that the drum's one-shots bring, by the
    kit's balance: what other drums' close mics hear of it is bleed, which no kit plays.

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
        replay = Player(folder, some, there.sample_rate).play([note for _, note in performance])
        hits = [h for h in kit.hits if h.id in played and not h.partners and h.drum in drums]
        for drum, one in _strokes(session.root, there, some, hits, replay):
            found.setdefault(drum, []).append(one)
    return tuple(_summary(drum, found[drum]) for drum in sorted(found))


def _strokes(root: Path, take: Take, kit: Kit, hits: Sequence[Hit],
             replay: Floats) -> Iterator[tuple[str, tuple[float, float]]]:
    """(drum, (level in dB, lateness in ms)) of each stroke that sounds in both, in the mics of the kit's balance."""
    names, margin = list(kit.balance), round(REACH_S * take.sample_rate)
    if not names:
        return
    with TakeReader(root, take, names) as reader:
        for hit in hits:
            start, stop = hit.onset - margin, hit.onset + round(HEARD_S * take.sample_rate) + margin
            audio = dict(zip(names, reader.read(start, stop).astype(np.float64), strict=True))
            one = _one_stroke(balance.mix(audio, kit.balance), _cut(replay, start, stop), margin)
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


def _cut(x: Floats, start: int, stop: int) -> Floats:
    """Frames [start, stop), zeros outside."""
    out = np.zeros((x.shape[0], stop - start))
    low, high = max(start, 0), min(stop, x.shape[1])
    if high > low:
        out[:, low - start:high - start] = x[:, low:high]
    return out


def _summary(drum: str, rows: list[tuple[float, float]]) -> Replayed:
    level = np.array([row[0] for row in rows])
    low, high = np.percentile(level, [16, 84])
    return Replayed(drum, len(rows), float(np.median(level)), float(high - low) / 2,
                    float(median(row[1] for row in rows)))

