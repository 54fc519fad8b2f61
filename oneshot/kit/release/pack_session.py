"""The multitrack given away: a session's recordings themselves, for whoever wants to mix or cut them.

Every mic becomes a mono WAV of a clean name; all mics of a take start together and are of one length, which is the
take's (silence where nothing was recorded). The samples are the recorder's own, bit for bit, at its rate and bits;
chunks that other programs left in the files stay behind, and with them names, places and times. Beside them: a rough
mix of each take by the computed balance, also as Ogg Vorbis, the track sheet that ``check`` shows, the licence and the
sums.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from oneshot.analysis.pooling import pooling_of
from oneshot.analysis.run import analysed
from oneshot.audio.io import BLOCK, TakeReader, read_header, widest, write_long_wav
from oneshot.audio.loudness import TruePeak
from oneshot.audio.ogg import ogg_beside
from oneshot.checking import checked
from oneshot.checking.finding import Finding, Harm
from oneshot.checking.track_sheet import Track as Measured
from oneshot.config.corrections_file import safe_name
from oneshot.config.handling import NOTHING
from oneshot.config.recipe import Recipe
from oneshot.core.air import speed_of_sound
from oneshot.core.cache.disk import open_store
from oneshot.core.errors import SessionError, WorkError
from oneshot.core.files import folder_beside, put_in_place, real
from oneshot.core.progress import Progress
from oneshot.core.records.hits import Drum
from oneshot.core.records.kit import Fader
from oneshot.core.records.session import Floats, Mic, Problem, Session, Take
from oneshot.core.text import counted, one_line
from oneshot.cutting.mix import balance as balancing
from oneshot.kit.export.hits_csv import cell
from oneshot.kit.release.archive import (
    Pack,
    Texts,
    changes,
    changes_file,
    is_pack_of,
    open_zip,
    pack_title,
    root_of,
    sums_of,
    version_of,
)
from oneshot.kit.release.licences import licence_file, licence_of
from oneshot.kit.report.track_sheet import heard_drums, sheet_cells, sheet_columns, sheet_table
from oneshot.session.open import check_unchanged, fingerprint_parts, open_session
from oneshot.session.output_paths import check_target

SHEET, TABLE, MIX, SMALL_MIX = "README.txt", "tracks.csv", "00_rough-mix.wav", "00_rough-mix.ogg"
CEILING_DBTP = -1.0
MIX_SUBTYPE = "PCM_24"
COLUMNS = ("path", "take", "mic", "role", "drum", "place", "pair", "side", "polarity", "sample_rate", "format",
           "frames", "seconds")
Sheets = Mapping[str, Sequence[Measured]]
"""Take -> its track sheet, as measured."""
FAULTS_NAMED = 6
"""Faults of the recordings that are named; of more their number is told."""
QUICK = 1
"""Sound hardly shrinks: the least work for it."""


@dataclass(frozen=True, slots=True)
class Track:
    """One file to be written. ``subtype``: the recording's own (soundfile's name)."""

    path: str
    take: Take
    mic: Mic
    subtype: str


@dataclass(frozen=True, slots=True)
class Recordings:
    """A session about to be given away, under a licence and with the recipe's credits."""

    session: Session
    tracks: tuple[Track, ...]
    recipe: Recipe
    licence: str
    licence_text: str
    version: str

    @property
    def name(self) -> str:
        """What the release is called."""
        return self.recipe.kit.name or self.session.name


def prepared(session_path: Path, *, licence: str | None = None, version: str | None = None,
             recipe: Recipe | None = None) -> Recordings:
    """The session as it would be given away; ``recipe`` gives name, credits, licence, version and balance.

    Raises SessionError where it is no session or has nothing but talk, SettingsError where no licence is stated.
    """
    session = open_session(session_path)
    recipe = recipe or Recipe()
    name, text = licence_of(licence, recipe.kit.licence)
    order = list(dict.fromkeys(mic.name for take in session.takes for mic in take.mics if mic.role.means.of_kit))
    tracks = []
    for number, take in enumerate(session.takes, 1):
        folder = f"{number:02d}_{safe_name(take.name) or 'take'}"
        for mic in sorted((m for m in take.mics if m.name in order and m.role.means.of_kit),
                          key=lambda m: order.index(m.name)):
            path = f"{folder}/{order.index(mic.name) + 1:02d}_{safe_name(mic.name) or 'mic'}.wav"
            subtypes = [read_header(session.root / each).subtype for each in sorted({s.path for s in mic.sources})]
            tracks.append(Track(path, take, mic, widest(subtypes)))
    if not tracks:
        raise SessionError(f"{session_path}: has no mic to release: correct the roles in session.toml")
    return Recordings(session, tuple(tracks), recipe, name, text, version_of(version, recipe.kit.version))


def texts_of(given: Recordings) -> Texts:
    """Every text of a person's that will be published, for its owner to read before."""
    info = given.recipe.kit
    rows = [("name", given.name), ("version", given.version)]
    rows += [(what, text) for what, text in (("author", info.author), ("studio", info.studio)) if text]
    rows += [("licence", given.licence), *(("player", player) for player in info.players)]
    rows += [("take", name) for name in dict.fromkeys(track.take.name for track in given.tracks)]
    rows += [("mic", name) for name in dict.fromkeys(track.mic.name for track in given.tracks)]
    rows += [("drum", name) for name in dict.fromkeys(track.mic.drum for track in given.tracks if track.mic.drum)]
    rows += [("place", name) for name in dict.fromkeys(track.mic.place for track in given.tracks if track.mic.place)]
    rows += [("note", note) for note in dict.fromkeys(t.mic.note for t in given.tracks if t.mic.note)]
    rows += [("pair of mics", name) for name in dict.fromkeys(t.mic.pair for t in given.tracks if t.mic.pair)]
    return Texts(tuple(rows))


def left_out(given: Recordings) -> list[Problem]:
    """What is not given away."""
    names = {m.name for take in given.session.takes for m in take.mics if not m.role.means.of_kit}
    return [Problem(name, "left out: talk and ignored mics are not released",
                    "give it another role in session.toml to include it") for name in sorted(names)]


def pack_session(given: Recordings, out: Path, *, last: Path | None = None, jobs: int = 1,
                 progress: Progress) -> tuple[Pack, tuple[Problem, ...]]:
    """Write the zip of a session's recordings. ``last``: the zip of the release before, against which changes are told.

    Raises KitError where ``last`` is no pack of ours, SettingsError where ``out`` is there and is no pack of this
    session or lies in one, SessionError where a recording changes meanwhile, AudioError where a recording cannot be
    read, OSError where the disk refuses. Nothing is left behind then.
    """
    root = root_of(given.name, given.version, "session")
    check_target(out, sessions=(given.session.root,), ours=lambda path: is_pack_of(path, given.name, "session"))
    before = None if last is None else sums_of(last)
    parts = fingerprint_parts(given.session)
    check_unchanged(given.session, parts)
    heard = checked(given.session, jobs=jobs, progress=progress)
    sheets = heard.tracks
    balance, told = rough_balance(given, jobs, progress)
    told += faults(given, heard.findings)
    heads = {"LICENCE.txt": licence_file(given.licence, given.licence_text), SHEET: sheet(given, balance, sheets),
             TABLE: table(given, sheets)}
    mixes = {f"{track.path.split('/')[0]}/{SMALL_MIX}": track.take for track in given.tracks}
    files = {track.path: track for track in given.tracks}
    with folder_beside(real(out)) as stage:
        written, one, small = stage / "pack.zip", stage / "track.wav", stage / "mix.ogg"
        pack = open_zip(written, root, QUICK)
        names = sorted({*heads, *mixes, *files})
        for done, name in enumerate(names):
            progress("packing", done / len(names))
            if name in heads:
                pack.add(name, heads[name])
                continue
            if name in files:
                write_track(given.session.root, files[name], one)
                pack.add(name, one)
            else:
                write_mix(given, mixes[name], balance, one, small)
                pack.add(name, small)
                pack.add(name.replace(SMALL_MIX, MIX), one)
        changed = () if before is None else tuple(changes(before, pack.sums))
        if before is not None:
            pack.add("CHANGES.txt", changes_file(changed))
        pack.close()
        check_unchanged(given.session, parts)
        put_in_place(written, out)
    return Pack(out, len(pack.sums) + 1, out.stat().st_size, given.licence, changed), told


def faults(given: Recordings, findings: Sequence[Finding]) -> tuple[Problem, ...]:
    """What ``check`` finds wrong with the recordings that are given away, the worst first, as one problem; none where
    that is nothing. Nothing is held back for it.
    """
    there = {name for track in given.tracks for name in (track.take.name, track.mic.name,
                                                         f"{track.take.name}/{track.mic.name}")}
    worse = [each.problem for each in findings if each.harm is not Harm.NOTE and each.problem.where in there]
    if not worse:
        return ()
    named = "; ".join(f"{each.where} {each.what}" for each in worse[:FAULTS_NAMED])
    more = f"; and {len(worse) - FAULTS_NAMED} more" if len(worse) > FAULTS_NAMED else ""
    return (Problem("recordings", f"are packed with {counted(len(worse), 'fault')}: {named}{more}",
                    "oneshot check tells places and remedies"),)


# -------------------------------------------------------------------------------------------------------------- balance


def rough_balance(given: Recordings, jobs: int, progress: Progress) -> tuple[dict[str, Fader], tuple[Problem, ...]]:
    """The balance that a kit of this session would have, and what to tell where its strokes could not be found."""
    session, recipe = given.session, given.recipe
    told: tuple[Problem, ...] = ()
    drums: list[Drum] = []
    bleed: Mapping[str, Mapping[str, Mapping[str, float | None]]] = {}
    polarity: Mapping[str, Mapping[str, int]] = {}
    try:
        found, _ = analysed(session, open_store(fingerprint_parts(session)), NOTHING,
                            pooling=pooling_of(session, recipe), rendered=False, jobs=jobs, progress=progress)
        drums = [Drum(d.name, d.kind, d.home, ()) for d in found.drums]
        bleed, polarity = found.bleed, found.polarity
    except WorkError as error:
        told = (Problem("rough mix", f"levels and pans are based on mic roles only ({error})",
                        "set them in [balance] of a recipe"),)
    balance = balancing.compute_balance(session, drums, bleed=bleed, polarity=polarity)
    if recipe.kit.perspective == "audience":
        balance = balancing.mirrored(balance)
    return balancing.override(balance, recipe.balance)[0], told


# ---------------------------------------------------------------------------------------------------------------- sound


def write_track(root: Path, track: Track, path: Path) -> None:
    """One mic of a take as mono WAV from the take's first frame to its last."""
    write_long_wav(path, _blocks(root, track.take, [track.mic.name]), track.take.frames, 1, track.take.sample_rate,
                   track.subtype)


def write_mix(given: Recordings, take: Take, balance: Mapping[str, Fader], path: Path, small: Path) -> None:
    """A take mixed by the balance to 24-bit stereo, its true peak at -1 dBTP, and to Ogg Vorbis, for pages and
    messages; silence stays silence.
    """
    root, info = given.session.root, given.recipe.kit
    names = [mic.name for mic in take.mics if mic.name in balance and balance[mic.name].on]
    peak = TruePeak(2, take.sample_rate)
    for block in _mixed(root, take, names, balance):
        peak.add(block)
    gain = 10 ** (CEILING_DBTP / 20) / peak.value if peak.value > 0 else 1.0
    texts = {"title": one_line(f"{given.name}, {take.name} (rough mix)"), "artist": info.author,
             "license": given.licence}
    with ogg_beside(small, 2, take.sample_rate, texts) as along:
        write_long_wav(path, along(block * gain for block in _mixed(root, take, names, balance)), take.frames, 2,
                       take.sample_rate, MIX_SUBTYPE)


def _mixed(root: Path, take: Take, names: Sequence[str], balance: Mapping[str, Fader]) -> Iterator[Floats]:
    """The mix in blocks, float64 (2, frames), before its level is set."""
    if not names:
        yield from (np.zeros((2, min(BLOCK, take.frames - at))) for at in range(0, take.frames, BLOCK))
    else:
        for block in _blocks(root, take, names):
            yield balancing.mix(dict(zip(names, block, strict=True)), balance)


def _blocks(root: Path, take: Take, names: Sequence[str]) -> Iterator[Floats]:
    """Mics of a take in blocks: float64 (mics, frames), which holds every sample of a recording exactly."""
    with TakeReader(root, take, names, dtype="float64") as reader:
        for at in range(0, take.frames, BLOCK):
            yield reader.read(at, min(at + BLOCK, take.frames))


# ---------------------------------------------------------------------------------------------------------------- texts


def table(given: Recordings, sheets: Sheets) -> str:
    """tracks.csv: what each file is, and what was measured in it."""
    out = io.StringIO(newline="")
    rows = csv.writer(out, lineterminator="\r\n")
    found = {(take, each.mic.name): each for take, tracks in sheets.items() for each in tracks}
    drums = heard_drums([found[at] for at in ((t.take.name, t.mic.name) for t in given.tracks) if at in found])
    more = sheet_columns(drums)
    rows.writerow([*COLUMNS, *map(cell, more)])
    for track in given.tracks:
        take, mic = track.take, track.mic
        measured = found.get((take.name, mic.name))
        cells = [None] * len(more) if measured is None else \
            sheet_cells(measured, drums, speed_of_sound(given.session.air_c))
        rows.writerow([cell(value) for value in (
            track.path, take.name, mic.name, str(mic.role), mic.drum, mic.place, mic.pair, mic.side, mic.polarity,
            take.sample_rate, track.subtype, take.frames, round(take.frames / take.sample_rate, 3), *cells)])
    return out.getvalue()


def sheet(given: Recordings, balance: Mapping[str, Fader], sheets: Sheets) -> str:
    """README.txt: what this is, who made it, and the track sheet."""
    info = given.recipe.kit
    lines = [pack_title(given.name, given.version), "",
             "Multitrack recordings of drums: one mono file per mic. All files of a take have the same start and",
             "length, silence where nothing was recorded; the audio is as recorded.", ""]
    lines += [f"{what}: {text}" for what, text in (("Author", info.author), ("Players", ", ".join(info.players)),
                                                   ("Studio", info.studio), ("Licence", given.licence)) if text]
    lines += ["", "Start listening at a low level: drum hits are sudden and may be loud.", ""]
    for take in dict.fromkeys(track.take.name for track in given.tracks):
        mine = [track for track in given.tracks if track.take.name == take]
        first = mine[0].take
        folder = mine[0].path.split("/")[0]
        seconds = first.frames / first.sample_rate
        lines += ["", f"{take}: folder {folder}, {first.sample_rate} Hz, {first.frames} frames, {seconds:.1f} s", ""]
        lines.append(f"  {MIX:<36} rough mix of the tracks below, with the gain and pan shown, 24 bit")
        lines.append(f"  {SMALL_MIX:<36} the same, smaller (Ogg Vorbis)")
        lines += [f"  {track.path.split('/')[1]:<36} {_described(track, balance)}" for track in mine]
        named = {track.mic.name for track in mine}
        measured = [each for each in sheets.get(take, ()) if each.mic.name in named]
        lines += ["", *sheet_table(measured, speed_of_sound(given.session.air_c))] if measured else []
    lines += ["", "Distances: how much further each drum is than from its own mic, ~ where less certain. Polarity is",
              "shown where it was measured."] if sheets else []
    lines += ["", "LICENCE.txt has the terms of use; tracks.csv is this sheet for programs; SHA256SUMS.txt has the",
              "checksum of every file."]
    return "\n".join(map(one_line, lines)) + "\n"


def _described(track: Track, balance: Mapping[str, Fader]) -> str:
    """One track in words: its mic, where it stands, its format and its fader in the rough mix."""
    mic, fader = track.mic, balance.get(track.mic.name)
    at = " ".join(part for part in (mic.drum, mic.place) if part)
    words = [mic.name, str(mic.role) + (f" ({at})" if at else ""), f"pair {mic.pair} {mic.side}" if mic.pair else "",
             track.subtype.replace("PCM_", "").replace("FLOAT", "32 float").replace("DOUBLE", "64 float") + " bit",
             "inverted" if mic.polarity < 0 else ""]
    if fader is None or not fader.on:
        words.append("not in the mix")
    else:
        side = "centre" if math.isclose(fader.pan, 0, abs_tol=0.005) else \
            f"{abs(100 * fader.pan):.0f} {'left' if fader.pan < 0 else 'right'}"
        words.append(f"{fader.gain_db:+.1f} dB, {side}" + (", polarity inverted" if fader.polarity < 0 else ""))
    return ", ".join(word for word in words if word)
