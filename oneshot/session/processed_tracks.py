"""Tracks: processed tracks of a session's takes, found in a folder of their own, read from names and headers alone.

An engineer has mixed the session and exported, from each take's start to its end, buses, effect returns, or single mics
as they were in the mix. The folder holds a folder for each take, by the take's name; with a single take the files may
lie in it directly. Nothing is listened to here, and nothing of it ever helps to find or judge a hit.

Names. A file called as a mic or a pair, words like "processed" or "stem" aside, is that mic or pair after processing.
One that names a drum holds the close mics of that drum; overheads and rooms likewise; a reverb or another return holds
no mic; everything else is a mix of the whole kit. The recipe's [tracks] outranks all that.
"""

from __future__ import annotations

import os
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath

from oneshot.audio.io import EXTENSIONS, Header, read_header, widest
from oneshot.core.errors import SessionError, SettingsError
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Mic, Problem, Session, Source, Take
from oneshot.session.mic_names import clean_name, kind_of, role_of, side_of
from oneshot.session.open import check_text, natural_key, told_faults

TRACKS = "processed tracks"
"""Below which a kit names the files of processed tracks that lie outside its session."""
MARK = "processed"
"""Follows the name of a track that is called as a mic is."""
_ASIDE = re.compile(r"\b(processed|proc|prc|wet|mixed|stems?|bounced?|printed?|post|export(ed)?|render(ed)?|final|eq|"
                    r"eqd|comp|compressed|parallel|para|crush(ed)?|smash(ed)?|squash(ed)?|bus|buss|group|grp|sub ?mix|"
                    r"mix)\b")
_RETURN = re.compile(r"\b(fx|efx|verb|reverb|rev|plate|spring|echo|delay|returns?|rtn|send|chamber)\b")


@dataclass(frozen=True, slots=True)
class Track:
    """One processed track in one take: its ``name``, its one mic or its left and right, the mics it is ``made_of``
    (none: an effect return), and its files' subtype.
    """

    name: str
    mics: tuple[Mic, ...]
    made_of: tuple[str, ...]
    subtype: str

    def goes_with(self, drum: str, take: Take) -> bool:
        """Whether a stroke of that drum is cut from it: always, unless it holds nothing but other drums' own mics."""
        own = [take.mic(name) for name in self.made_of]
        return not own or any(mic.role is not Role.CLOSE or mic.stands_at(drum) for mic in own)


@dataclass(frozen=True, slots=True)
class TakeTracks:
    """The processed tracks of a take. ``take``: the same take as far as name, rate and length go, with their mics in
    place of the recorded ones.
    """

    take: Take
    tracks: tuple[Track, ...]


@dataclass(frozen=True, slots=True)
class Tracks:
    """All of a folder: take -> its tracks, what to tell, and where it lies."""

    takes: Mapping[str, TakeTracks]
    problems: tuple[Problem, ...] = ()
    folder: Path = Path()


def open_tracks(session: Session, folder: Path, said: Mapping[str, Sequence[str]]) -> Tracks:
    """The processed tracks in a folder, headers only. ``said``: the recipe's [tracks].

    Raises SessionError where the folder is missing, holds no folder for a take, a track that other takes lack, a file
    that is not of its take's rate and length, or one whose name is no text; SettingsError where [tracks] names no track
    or no mic; AudioError for a file that cannot be read.
    """
    if not folder.is_dir():
        raise SessionError(f"{folder}: no such folder of processed tracks")
    problems: list[Problem] = []
    files = _files(session, folder, problems)
    check_text(folder, [path for paths in files.values() for path in paths])
    if folder.resolve().is_relative_to(session.root.resolve()):  # a kit then names the whole way to it
        check_text(session.root.resolve(), [folder.resolve()])
    names = [{track.casefold(): track for track in _stems(paths)} for paths in files.values()]
    for called, mine in zip(files, names, strict=True):
        lacking = sorted({stem for other in names for stem in other} - set(mine))
        if lacking:
            there = next(other[lacking[0]] for other in names if lacking[0] in other)
            raise SessionError(f"{folder}: {called} has no {there!r}, which other takes have: export it for every "
                               "take, or leave that take out in session.toml")
    unknown = [name for name in said if name.casefold() not in {stem for mine in names for stem in mine}]
    if unknown:
        raise SettingsError(f"tracks names {unknown[0]!r}: no such processed track; use one of "
                            f"{', '.join(sorted({each for mine in names for each in mine.values()}, key=natural_key))}")
    given = _names(session, [stem for mine in names for stem in mine.values()])
    out = {}
    for take in session.takes:
        made = [_track(session, take, given[stem], stem, paths, said, problems)
                for stem, paths in _stems(files[take.name]).items()]
        mics = tuple(mic for track in made for mic in track.mics)
        out[take.name] = TakeTracks(replace(take, mics=mics, subtype=widest([t.subtype for t in made])), tuple(made))
    return Tracks(out, tuple(dict.fromkeys(problems)), folder)


def with_tracks(session: Session, tracks: Mapping[str, TakeTracks]) -> Session:
    """The session with the processed tracks among the mics of its takes."""
    return replace(session, takes=tuple(
        replace(take, mics=(*take.mics, *tracks[take.name].take.mics)) if take.name in tracks else take
        for take in session.takes))


def without_place(session: Session, folder: Path) -> Session:
    """The session with processed tracks of ``folder`` among its mics, as a kit names their files: where the folder lies
    outside the session, below ``TRACKS``, for where it lies is nobody's business but its owner's.
    """
    inside = folder.resolve().is_relative_to(session.root.resolve())
    whole = _from(session.root, folder)

    def named(mic: Mic) -> Mic:
        """The mic with the paths that a kit gives its files."""
        if mic.recorded or inside:
            return mic
        return replace(mic, sources=tuple(replace(s, path=f"{TRACKS}/{PurePosixPath(s.path).relative_to(whole)}")
                                          for s in mic.sources))

    return replace(session, takes=tuple(replace(take, mics=tuple(map(named, take.mics))) for take in session.takes))


# --------------------------------------------------------------------------------------------------------------- folder


def _files(session: Session, folder: Path, problems: list[Problem]) -> dict[str, list[Path]]:
    """Take -> its sound files, in natural order."""
    entries = sorted((p for p in folder.iterdir() if not p.name.startswith(".")), key=lambda p: natural_key(p.name))
    below = {p.name.casefold(): p for p in entries if p.is_dir()}
    out: dict[str, list[Path]] = {}
    for take in session.takes:
        found = {Path(source.path).parent.name for mic in take.mics for source in mic.sources}
        place = next((below.pop(name.casefold()) for name in (take.name, *sorted(found)) if name.casefold() in below),
                     None)
        mine = _sounds(sorted(place.iterdir(), key=lambda p: natural_key(p.name))) if place is not None else \
            _sounds(entries) if len(session.takes) == 1 else []
        if not mine:
            raise SessionError(f"{folder} holds no processed tracks of {take.name}: put them into a folder named "
                               f"{take.name!r} there, or leave that take out in session.toml")
        out[take.name] = mine
    problems += [Problem(path.name, "matches no take of the session, so its processed tracks are not used",
                         "name the folder after the take") for path in below.values()
                 if _sounds(path.iterdir())]
    return out


def _sounds(paths: object) -> list[Path]:
    return [p for p in paths if p.suffix.lower() in EXTENSIONS and p.is_file()]  # type: ignore[attr-defined]


def _stems(paths: Sequence[Path]) -> dict[str, tuple[Path, ...]]:
    """Stem of a track -> its one file, or its left and right where it was exported as two."""
    sides: dict[str, dict[str, Path]] = {}
    for path in paths:
        side, stem = side_of(path.stem)
        if side is not None and stem:
            sides.setdefault(stem, {}).setdefault(side, path)
    out: dict[str, tuple[Path, ...]] = {}
    for path in paths:
        side, stem = side_of(path.stem)
        both = sides.get(stem or "", {})
        if side is not None and stem and set(both) == {"L", "R"} and path in both.values():
            out.setdefault(stem, (both["L"], both["R"]))
        else:
            out[path.stem] = (path,)
    return out


def _names(session: Session, stems: Sequence[str]) -> dict[str, str]:
    """Stem -> what its track is called in the kit: as it stands, unless a mic or pair of the session is called so."""
    taken = {name.casefold() for take in session.takes for mic in take.mics for name in (mic.name, mic.pair or "")}
    out: dict[str, str] = {}
    for stem in dict.fromkeys(stems):
        tries = [stem, f"{stem} {MARK}", *(f"{stem} {MARK} {n}" for n in range(2, len(stems) + 3))]
        out[stem] = next(name for name in tries
                         if not {name.casefold(), f"{name} l".casefold(), f"{name} r".casefold()} & taken)
        taken.add(out[stem].casefold())
    return out


# --------------------------------------------------------------------------------------------------------------- tracks


def _track(session: Session, take: Take, name: str, stem: str, paths: Sequence[Path], said: Mapping[str, Sequence[str]],
           problems: list[Problem]) -> Track:
    """One track of a take, from one stereo or mono file or from two mono ones."""
    headers = [read_header(path) for path in paths]
    problems += told_faults(headers)
    for header in headers:
        _check(take, header, 1 if len(paths) == 2 else 2)
    channels = [(path, channel) for path, header in zip(paths, headers, strict=True)
                for channel in range(header.channels)]
    sources = [Source(_from(session.root, path), channel, 0, take.frames) for path, channel in channels]
    sides = [None] if len(sources) == 1 else ["L", "R"]
    told = next((mics for key, mics in said.items() if key.casefold() == stem.casefold()), None)
    made_of = _expanded(take, stem, told) if told is not None else _made_of(take, stem, problems)
    drums = {take.mic(mic).drum for mic in made_of}
    drum = next(iter(drums)) if len(drums) == 1 else None
    mics = tuple(Mic(name if side is None else f"{name} {side}", Role.BUS, drum, pair=name if side else None, side=side,
                     sources=(source,), recorded=False) for side, source in zip(sides, sources, strict=True))
    return Track(name, mics, made_of, widest([header.subtype for header in headers]))


def _check(take: Take, header: Header, most: int) -> None:
    """Raise SessionError where a file cannot be laid over its take."""
    if header.channels > most:
        raise SessionError(f"{header.path} has {header.channels} channels: export processed tracks in mono or stereo")
    if header.sample_rate != take.sample_rate:
        raise SessionError(f"{header.path} is at {header.sample_rate} Hz and {take.name} at {take.sample_rate} Hz: "
                           "export it at the rate of the recording")
    if header.frames != take.frames:
        seconds = header.frames / header.sample_rate
        raise SessionError(f"{header.path} holds {header.frames} frames ({seconds:.3f} s) and {take.name} "
                           f"{take.frames} ({take.frames / take.sample_rate:.3f} s): export it over the exact "
                           "length of the take")


def _from(root: Path, path: Path) -> str:
    """A file's path from the session folder, with forward slashes."""
    try:
        return Path(os.path.relpath(path.resolve(), root.resolve())).as_posix()
    except ValueError:
        raise SessionError(f"{path} is on another drive than the session: copy the processed tracks next to "
                           "it") from None


def _made_of(take: Take, stem: str, problems: list[Problem]) -> tuple[str, ...]:
    """The mics that a track holds, by its name; none for an effect return."""
    plain = {_plain(stem), _plain(clean_name(stem))}
    for mic in take.mics:
        if mic.role.means.judged and {_plain(mic.name), _plain(mic.pair or mic.name)} & plain:
            whole = _plain(mic.pair or mic.name) in plain
            return tuple(m.name for m in take.mics if m.name == mic.name or (whole and mic.pair and m.pair == mic.pair))
    if _RETURN.search(_words(stem)):
        return ()
    mics = [mic for mic in take.mics if mic.role.means.judged]
    everything = tuple(mic.name for mic in mics)
    text = " ".join(_ASIDE.sub(" ", _words(clean_name(stem))).split())
    guess = role_of(text) if text else None
    if guess is not None and re.search(r"\btoms\b", text):
        own = [mic for mic in mics if mic.role is Role.CLOSE and mic.drum and kind_of(mic.drum) == "tom"]
    elif guess is not None and guess.role is Role.CLOSE and guess.drum:
        own = [mic for mic in mics if mic.role is Role.CLOSE and mic.drum is not None
               and (mic.drum == guess.drum or (guess.drum == kind_of(mic.drum)))]
        own = [mic for mic in own if mic.place == guess.place] or own if guess.place else own
    elif guess is not None and guess.known and guess.role in (Role.OVERHEAD, Role.ROOM):
        own = [mic for mic in mics if mic.role is guess.role]
    else:
        if guess is not None and not guess.known:
            problems.append(Problem(stem, "its name does not tell which mics it is made of: it is treated as a mix "
                                          "of the whole kit", "set it under [tracks] in the recipe, or rename the "
                                                              "file"))
        return everything
    if not own:
        problems.append(Problem(stem, f"by its name it holds mics that {take.name} does not have: it is treated as "
                                      "a mix of the whole kit", "set it under [tracks] in the recipe, or rename the "
                                      "file"))
    return tuple(mic.name for mic in own) or everything


def _expanded(take: Take, stem: str, said: Sequence[str]) -> tuple[str, ...]:
    """The mics that the recipe names, pairs as their two sides. Raises SettingsError."""
    out: list[str] = []
    for name in said:
        mine = [mic.name for mic in take.mics if name in (mic.name, mic.pair) and mic.role.means.judged]
        if not mine:
            raise SettingsError(f"tracks.{stem} names {name!r}: {take.name} has no such mic; use one of "
                                f"{', '.join(mic.name for mic in take.mics if mic.role.means.judged)}")
        out += mine
    return tuple(dict.fromkeys(out))


def _words(text: str) -> str:
    """Small letters and figures with single spaces."""
    return " ".join(re.sub(r"[^a-z0-9]+", " ", text.casefold()).split())


def _plain(text: str) -> str:
    """A name without the words that say no more than that it was processed."""
    words = _words(text)
    return " ".join(_ASIDE.sub(" ", words).split()) or words
