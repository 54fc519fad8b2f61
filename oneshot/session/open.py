"""A folder to a session: takes, mics, roles, pairs, time stamps and problems, read from names and headers.

Takes. Each folder in the session that holds audio is a take, named by the folder; where none does, the session folder
itself is one. The names of its files may tell several takes apart in it (``takes_by_name.py``). Folders are searched
downwards until one holds audio; what lies below a take, or beside take folders, is told and left out. Hidden files and
folders, kits of ours and files that are no sound are passed over.

Time stamps. Recorders may write into each file the time of day of its first frame: files are laid out by them
(``time_stamps.py``), the earliest at frame 0. Without them all files start together at frame 0. Only the times are
read, nothing about people or places.

Parts. What a recorder wrote into several files is put together again (``split_files.py``).

Names. A mic's role is read from its file's name; in a file of several channels, or where that name says nothing, from
the recorder's own track names (``iXML``) where they say more. The mic keeps the name its file gives it.

Pairs. A two-channel file is a pair. So are two mics whose names differ in their side alone ("OH L" and "OH R") and have
one role. Two overheads or rooms that are numbered 1 and 2 may be one: they are listened to (``numbered_pairs.py``).
Anything else that carries a side stands alone.

Labels. What is played is read from session.toml, from the cue markers of the files (each holds from its place to the
next, or to the end) and from the names of the take and of the folders it lies in, by the words of ``labels.py``.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from oneshot.audio.io import EXTENSIONS, LOSSY_EXTENSIONS, Header, read_header, widest
from oneshot.audio.riff import Fault, track_names
from oneshot.core.errors import AudioError, SessionError, SettingsError
from oneshot.core.files import is_our_kit, real, reason, sha256_of_edges
from oneshot.core.names import is_text, odd_part, shown
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Label, Mic, Problem, Session, Source, Take
from oneshot.core.text import one_line
from oneshot.core.toml_lines import KeyPath
from oneshot.session.labels import said_by_cues, said_by_file, said_by_names, sorted_labels
from oneshot.session.mic_names import RoleGuess, role_of, strip_common
from oneshot.session.numbered_pairs import with_numbered_pairs
from oneshot.session.session_file import (
    FILE,
    MicEdit,
    SessionEdits,
    TakeEdit,
    channel_name,
    draft_toml,
    fault,
    key_shown,
    quote,
    read_edits,
    unknown,
)
from oneshot.session.split_files import Recording, recordings
from oneshot.session.takes_by_name import takes_by_name
from oneshot.session.time_stamps import starts

__all__ = ["draft_toml", "fingerprint_parts", "open_session", "source_paths"]

_DEEPEST = 5
_SKIPPED_FOLDERS = {"__macosx"}


@dataclass(frozen=True, slots=True)
class _Folder:
    """A folder that holds audio: path from the session folder, sound files and lossy files in it, sorted."""

    path: Path
    files: tuple[Path, ...]


def open_session(path: Path) -> Session:
    """Read a session folder: headers only, in milliseconds a file; of mics that may be a pair, some seconds of audio.

    Raises SessionError where the folder is missing, is no session or holds no audio, AudioError for a file that cannot
    be read or sample rates that differ inside a take, SettingsError for a bad value in session.toml.
    """
    if not path.exists():
        raise SessionError(f"{path} does not exist: give the folder that holds the recordings")
    if not path.is_dir():
        raise SessionError(f"{path} is a file: give the folder that holds the recordings")
    if is_our_kit(path):
        raise SessionError(f"{path} is a finished kit: give the folder that holds the recordings")
    edits = read_edits(path / FILE)
    name = path.resolve().name
    problems = list(edits.problems)
    folders = _take_folders(path, problems, None if edits.processed is None else real(path / edits.processed))
    _check_names(path, folders, edits.name or name)
    named = list(zip(folders, _take_names(path, folders), strict=True))
    left_out = [name for _, name in named if not edits.takes.get(name, TakeEdit()).use]
    found = [take for folder, name in named if name not in left_out for take in _found(folder, name, problems)]
    names = [*left_out, *(take.name for take in found)]
    problems += _unanswered(edits, edits.takes, names, ("takes",))
    takes: list[Take] = []
    labels: list[Label] = []
    passed_over: set[str] = set()
    for each in found:
        edit = edits.takes.get(each.name, TakeEdit())
        if edit.use:
            takes.append(_take(path, each, edit, edits, problems, passed_over))
            labels += said_by_cues(path, takes[-1], problems)
            labels += said_by_names(takes[-1], [] if each.folder == path else each.folder.relative_to(path).parts[:-1])
    if not takes:
        raise SessionError(f"{path / FILE} leaves every take out: set use = true for at least one")
    takes = with_numbered_pairs(path, takes, edits, problems)
    _check_takes(path, takes, edits, problems, passed_over)
    labels += said_by_file(path, edits, takes, names)
    return Session(one_line(edits.name or name), path, tuple(takes), sorted_labels(labels, takes),
                   tuple(sorted(set(problems))), 20.0 if edits.air_c is None else edits.air_c, edits.processed)


def source_paths(session: Session) -> list[str]:
    """All files the session's mics come from, relative to its folder, each once, sorted."""
    return sorted({s.path for take in session.takes for mic in take.mics for s in mic.sources})


def fingerprint_parts(session: Session) -> list[tuple[str, int, int, str]]:
    """(path, bytes, modification time in ns, SHA-256 of the first and last 64 KiB) of each source file, sorted by path.

    Raises AudioError if a file has gone since the session was opened.
    """
    parts = []
    for path in source_paths(session):
        try:
            stat = (session.root / path).stat()
            parts.append((path, stat.st_size, stat.st_mtime_ns, sha256_of_edges(session.root / path)))
        except OSError as error:
            raise AudioError(f"{session.root / path} cannot be read ({reason(error)}): it was "
                             "there a moment ago, put it back and start again") from None
    return parts


def check_unchanged(session: Session, parts: list[tuple[str, int, int, str]]) -> None:
    """Raise SessionError where a recording is not what it was when ``parts`` (as ``fingerprint_parts``) and the session
    were read: what was made of it since may hold silence or halves of two recordings.
    """
    now = fingerprint_parts(session)
    frames = {source.path: read_header(session.root / source.path).frames
              for take in session.takes for mic in take.mics for source in mic.sources}
    shorter = {source.path for take in session.takes for mic in take.mics for source in mic.sources
               if source.frames != frames[source.path]}
    changed = sorted({before[0] for before, after in zip(parts, now, strict=True) if before != after} | shorter)
    if changed:
        more = f" and {len(changed) - 1} more" if len(changed) > 1 else ""
        raise SessionError(f"{session.root / changed[0]}{more} changed while it was read, and nothing was written: "
                           "wait until it is finished, and start again")


# -------------------------------------------------------------------------------------------------------------- folders


def natural_key(text: str) -> tuple[tuple[tuple[int, int, str], ...], str]:
    """A sort key by which "Take 2" comes before "Take 10", whatever the case; the text itself breaks ties."""
    parts = re.split(r"(\d+)", text.casefold())
    return tuple((0, int(part), "") if part.isdecimal() else (1, 0, part) for part in parts if part), text


def _listing(folder: Path) -> tuple[list[Path], list[Path]]:
    """Files and folders in a folder that are not hidden, in natural order."""
    try:
        entries = sorted((p for p in folder.iterdir() if not p.name.startswith(".")), key=lambda p: natural_key(p.name))
    except OSError as error:
        raise SessionError(f"{folder} cannot be read ({reason(error)}): check that you may "
                           "open it") from None
    files = [p for p in entries if p.is_file()]
    below = [p for p in entries if p.is_dir() and p.name.casefold() not in _SKIPPED_FOLDERS]
    return files, below


def _sounds(files: Sequence[Path]) -> tuple[Path, ...]:
    return tuple(f for f in files if f.suffix.lower() in EXTENSIONS)


def _take_folders(root: Path, problems: list[Problem], but: Path | None) -> list[_Folder]:
    """The folders that are takes, in natural order; the folder ``but`` holds none. Tells of sound that is left out;
    SessionError if there is none.
    """
    files, below = _listing(root)
    takes = [take for folder in below for take in _search(folder, 1, problems, but)]
    beside = _sounds(files)
    _tell_lossy(root, files, problems)
    if takes:
        if beside:
            problems.append(Problem(_names(beside), "is next to the take folders and is left out",
                                    "put it into a folder of its own if it is a take"))
        return takes
    if not beside:
        lossy = [f for f in files if f.suffix.lower() in LOSSY_EXTENSIONS]
        hint = (f": {lossy[0].name} is lossy; give the recordings as they were made" if lossy
                else ": give WAV, AIFF, FLAC or CAF files, or one folder of them per take")
        raise SessionError(f"{root} holds no audio{hint}")
    return [_Folder(root, beside)]


def _search(folder: Path, depth: int, problems: list[Problem], but: Path | None) -> Iterator[_Folder]:
    """Takes at or below a folder."""
    if is_our_kit(folder) or folder.resolve() == but:
        return
    files, below = _listing(folder)
    _tell_lossy(folder, files, problems)
    if sounds := _sounds(files):
        yield _Folder(folder, sounds)
        inner = {deeper: _sounds(_listing(deeper)[0]) for deeper in below if not is_our_kit(deeper)}
        problems.extend(Problem(f"{folder.name}/{deeper.name}/{_names(found)}", "is in a folder below a take and is "
                                                                                "left out",
                                "move its folder next to the take's if it is a separate take")
                        for deeper, found in inner.items() if found)
    elif depth < _DEEPEST:
        for deeper in below:
            yield from _search(deeper, depth + 1, problems, but)


def _tell_lossy(folder: Path, files: Sequence[Path], problems: list[Problem]) -> None:
    lossy = [f for f in files if f.suffix.lower() in LOSSY_EXTENSIONS]
    if lossy:
        problems.append(Problem(f"{folder.name}/{_names(lossy)}", "is a lossy format and is left out",
                                "use the recording it was made from"))


def _names(files: Sequence[Path]) -> str:
    """Up to three file names, and how many more there are."""
    shown = ", ".join(f.name for f in files[:3])
    return f"{shown} and {len(files) - 3} more" if len(files) > 3 else shown


def _check_names(root: Path, folders: Sequence[_Folder], name: str) -> None:
    """Raise SessionError where the session, a take or a sound file is called by bytes that are no text: they could not
    be written into a kit.
    """
    if not is_text(name) or (not is_text(root.resolve().name) and any(folder.path == root for folder in folders)):
        raise SessionError(f"{shown(str(root.resolve()))}: the name of the session's folder is not valid UTF-8: rename "
                           "the folder")
    check_text(root, [path for folder in folders for path in folder.files])


def check_text(root: Path, paths: Iterable[Path]) -> None:
    """Raise SessionError where the way from a folder to one of those files in it has a name that is no text."""
    for path in paths:
        odd = odd_part(path, root)
        if odd is not None:
            raise SessionError(f"{shown(str(path))}: the name {odd} is not valid UTF-8: rename it")


def _take_names(root: Path, folders: Sequence[_Folder]) -> list[str]:
    """A name for each take: its folder's, or the whole way to it where two folders have one name."""
    plain = [folder.path.name if folder.path != root else root.resolve().name for folder in folders]
    return [name if plain.count(name) == 1 else " ".join(folder.path.relative_to(root).parts)
            for name, folder in zip(plain, folders, strict=True)]


# ---------------------------------------------------------------------------------------------------------------- takes


@dataclass(frozen=True, slots=True)
class _Found:
    """A take as it was found: its name, its folder, its files, and what each is called without what tells its take."""

    name: str
    folder: Path
    headers: tuple[Header, ...]
    stems: Mapping[Path, str]


def _found(folder: _Folder, name: str, problems: list[Problem]) -> list[_Found]:
    """The takes of a folder: one, unless the names of its files tell several apart, which is told."""
    headers = tuple(read_header(path) for path in folder.files)
    problems += told_faults(headers)
    several = takes_by_name(headers)
    if not several:
        return [_Found(name, folder.path, headers, {path: path.stem for path in folder.files})]
    numbers = ", ".join(str(take.number) for take in several)
    problems.append(Problem(name, f"its files are {len(several)} takes by their names ({numbers}): "
                                  f"{several[0].headers[0].path.name} belongs to take {several[0].number}",
                            "rename the files if that is wrong"))
    return [_Found(f"{name} take {take.number}", folder.path, take.headers, take.stems) for take in several]


@dataclass(frozen=True, slots=True)
class _Channel:
    """One channel of one recording on its way to become a mic. ``called``: the name that says what it is."""

    name: str
    called: str
    guess: RoleGuess
    sources: tuple[Source, ...]
    stereo: bool


def _take(root: Path, found: _Found, edit: TakeEdit, edits: SessionEdits, problems: list[Problem],
          passed_over: set[str]) -> Take:
    """What was found to a take, with what session.toml says of it. Mics that are ignored and whose files have another
    rate, so that they cannot be read along, are no mics of it; their names go to ``passed_over``.
    """
    name = edit.name or found.name
    headers, apart = _of_one_rate(root, found, edit, edits)
    passed_over |= apart
    problems += [_no_drum_mic(name, mic) for mic in sorted(apart)
                 if edit.mics.get(mic, MicEdit()).over(edits.mics.get(mic, MicEdit())).role is None]
    _check_rates(name, headers)
    found_in = recordings(headers, found.stems)
    begins = starts(name, found_in, problems)
    rate = headers[0].sample_rate
    frames = max(at + recording.frames for at, recording in zip(begins, found_in, strict=True))
    channels = _channels(root, found_in, begins)
    problems += _unanswered(edits, edit.mics, [*(c.name for c in channels), *apart],
                             ("takes", found.name, "mics"))
    mics = []
    for channel in channels:
        said = edit.mics.get(channel.name, MicEdit()).over(edits.mics.get(channel.name, MicEdit()))
        if said.role is Role.CLOSE and said.drum is None and channel.guess.drum is None:
            own = edit.mics.get(channel.name, MicEdit()).role is not None
            where = (*(("takes", found.name) if own else ()), "mics", channel.name, "role")
            raise fault(root / FILE, edits.lines, where, f'{key_shown(where)} is "close" but it names no drum: add '
                                                         'drum = "..."')
        mics.append(_mic(name, channel, said, problems))
    paired = _pairs(name, mics, channels, problems)
    _check_unique(name, paired)
    ignored = _merged([(round(a * rate), min(round(b * rate), frames)) for a, b in edit.ignore])
    return Take(name, rate, frames, widest([h.subtype for h in headers]), _buses_as_overheads(name, paired, problems),
                ignored, found.name)


def _of_one_rate(root: Path, found: _Found, edit: TakeEdit,
                 edits: SessionEdits) -> tuple[tuple[Header, ...], set[str]]:
    """The files of a take without those that are ignored, by session.toml or by their names, and have another rate than
    the ones that are not; and what mics these would be.
    """
    if len({header.sample_rate for header in found.headers}) == 1:
        return found.headers, set()
    alone = [Recording(found.stems[header.path], (header,), None) for header in found.headers]
    names: dict[str, set[str]] = {}
    used: set[str] = set()
    for channel in _channels(root, alone, [0] * len(alone)):
        said = edit.mics.get(channel.name, MicEdit()).over(edits.mics.get(channel.name, MicEdit()))
        path = channel.sources[0].path
        names.setdefault(path, set()).add(channel.name)
        if (said.role or (Role.CLOSE if said.drum else channel.guess.role)) is not Role.IGNORE:
            used.add(path)
    of = {header.path: header.path.relative_to(root).as_posix() for header in found.headers}
    rates = {header.sample_rate for header in found.headers if of[header.path] in used}
    apart = {of[header.path] for header in found.headers if rates and header.sample_rate not in rates}
    return (tuple(header for header in found.headers if of[header.path] not in apart),
            set().union(*(names[path] for path in apart)))


def told_faults(headers: Sequence[Header]) -> list[Problem]:
    """One problem for each kind of fault in the headers of a folder's files."""
    by_fault: dict[Fault, list[Path]] = {}
    for header in headers:
        if header.fault is not None:
            by_fault.setdefault(header.fault, []).append(header.path)
    return [Problem(f"{paths[0].parent.name}/{_names(paths)}", fault.what, fault.todo)
            for fault, paths in by_fault.items()]


def _check_rates(take: str, headers: Sequence[Header]) -> None:
    count = Counter(header.sample_rate for header in headers)
    usual = max(count, key=lambda rate: count[rate])
    other = next((header for header in headers if header.sample_rate != usual), None)
    if other is not None:
        like = next(header for header in headers if header.sample_rate == usual).path.name
        rest = like if count[usual] == 1 else f"the {count[usual]} like {like}"
        raise AudioError(f"{take}: {other.path.name} is at {other.sample_rate} Hz and {rest} at {usual} Hz: files of "
                         "one take need one sample rate, convert it or take it out of the folder, or give its mics "
                         f'role = "ignore" in {FILE}')


def _channels(root: Path, files: Sequence[Recording], at: Sequence[int]) -> list[_Channel]:
    """Every channel of every recording, with what its file's name says of it, in natural order of names."""
    stems = strip_common(sorted({file.name for file in files}))
    channels: list[_Channel] = []
    for file, start in zip(files, at, strict=True):
        called, count = _called(file.first, stems[file.name]), file.first.channels
        guesses = [role_of(name) for name in called]
        stereo = count == 2 and guesses[0] == guesses[1]
        begins = [start + sum(part.frames for part in file.parts[:n]) for n in range(len(file.parts))]
        channels.extend(_Channel(
            channel_name(file.name, channel, count), called[channel], guesses[channel],
            tuple(Source(part.path.relative_to(root).as_posix(), channel, begin, part.frames)
                  for part, begin in zip(file.parts, begins, strict=True)), stereo) for channel in range(count))
    return sorted(channels, key=lambda c: (natural_key(c.name), c.sources[0].path))


def _called(header: Header, stem: str) -> list[str]:
    """The name that says what each channel is: the recorder's own track name, where it says something; of a file of one
    channel only where the file's name says nothing, and where there is one track name. Else the file's name.
    """
    alone = header.channels == 1
    names = {} if alone and role_of(stem).known else track_names(header.path)
    if alone and len(names) > 1:
        return [stem]
    return [names[channel] if channel in names and role_of(names[channel]).known else stem
            for channel in range(header.channels)]


def _mic(take: str, channel: _Channel, said: MicEdit, problems: list[Problem]) -> Mic:
    """One channel to one mic: what session.toml says goes before what the name says."""
    guess, name = channel.guess, said.name or channel.name
    drum = said.drum or guess.drum
    role = said.role or (Role.CLOSE if said.drum and guess.role is not Role.TRIGGER else guess.role)
    at_drum = role.means.at_drum
    nameless = not guess.known and said.role is None and not said.drum
    if nameless:
        problems.append(Problem(f"{take}/{name}", "its name does not tell its role: it is treated as a room mic and is "
                                                  "never a home mic",
                                f"give it a role in {FILE}, or rename the file"))
    if role is Role.IGNORE and said.role is None:
        problems.append(_no_drum_mic(take, name))
    place = (guess.place if said.place is None else said.place or None) if at_drum else None
    return Mic(name, role, drum if at_drum else None, place, said.pair, said.side, said.polarity or 1,
               channel.sources, found=channel.name, called=channel.called, note=said.note or None,
               nameless=nameless)


def _no_drum_mic(take: str, name: str) -> Problem:
    """What is told of a mic that nothing but its name leaves out."""
    return Problem(f"{take}/{name}", "by its name it is not a drum mic and is left out",
                   f"give it a role in {FILE} if it is one")


# ---------------------------------------------------------------------------------------------------------------- pairs


def _pairs(take: str, mics: Sequence[Mic], channels: Sequence[_Channel], problems: list[Problem]) -> list[Mic]:
    """The mics with pair and side settled: said by the user first, then two channels of a file, then names."""
    proposals: list[tuple[str | None, str | None]] = []
    for mic, channel in zip(mics, channels, strict=True):
        guess = channel.guess
        pair, side = (guess.pair_stem, guess.side) if guess.side else (None, None)
        if channel.stereo:
            pair, side = channel.name[:-2], "LR"[channel.sources[0].channel]
        if mic.pair == "":
            pair, side = None, None
        proposals.append((mic.pair or pair, mic.side or side))
    groups: dict[str, list[int]] = {}
    for row, (pair, side) in enumerate(proposals):
        if pair and side:
            groups.setdefault(re.sub(r"[-_. ]+", " ", pair).casefold(), []).append(row)
    settled = [replace(mic, pair=None, side=None) for mic in mics]
    for rows in groups.values():
        sides = sorted(str(proposals[row][1]) for row in rows)
        if sides == ["L", "R"] and mics[rows[0]].role == mics[rows[1]].role:
            name = next((mics[row].pair for row in rows if mics[row].pair), None) or proposals[rows[0]][0]
            for row in rows:
                settled[row] = replace(settled[row], pair=name, side=proposals[row][1])
    for row, mic in enumerate(mics):
        if mic.pair and settled[row].pair is None:
            problems.append(Problem(f"{take}/{mic.name}",
                                    f"its pair {quote(mic.pair)} does not have one L and one R of one role, so it "
                                    "is treated as mono", f"give both of them role, pair and side in {FILE}"))
    return settled


def _buses_as_overheads(take: str, mics: Sequence[Mic], problems: list[Problem]) -> tuple[Mic, ...]:
    """In a take without other mics its buses serve as overheads; tells so."""
    buses = [mic.name for mic in mics if mic.role is Role.BUS]
    if not buses or any(mic.role.means.judged for mic in mics):
        return tuple(mics)
    shown = ", ".join(buses[:3]) + (" …" if len(buses) > 3 else "")
    problems.append(Problem(take, f"it has only buses ({shown}), which are used as overheads",
                            "add the single mics if you have them: hits have less bleed"))
    return tuple(replace(mic, role=Role.OVERHEAD) if mic.role is Role.BUS else mic for mic in mics)


# --------------------------------------------------------------------------------------------------------------- checks


def _check_unique(take: str, mics: Sequence[Mic]) -> None:
    seen: dict[str, Mic] = {}
    for mic in mics:
        other = seen.setdefault(mic.name, mic)
        if other is not mic:
            raise SessionError(f"{take} has two mics called {quote(mic.name)} ({other.sources[0].path} and "
                               f"{mic.sources[0].path}): rename one of the files, or move it away")


def _unanswered(edits: SessionEdits, said: Mapping[str, object], names: Sequence[str],
                where: KeyPath) -> list[Problem]:
    """A problem for each take or mic that session.toml speaks of and that is not there."""
    return [unknown(edits.lines, (*where, name), names) for name in said if name not in names]


def _check_takes(root: Path, takes: Sequence[Take], edits: SessionEdits, problems: list[Problem],
                 passed_over: Collection[str]) -> None:
    """What can be told only over all takes: names, rates, mics nobody has, not even among those ``passed_over``."""
    called = [take.name for take in takes]
    for name in called:
        if called.count(name) > 1:
            raise SettingsError(f"{root / FILE}: two takes are called {quote(name)}: give each a name of its own")
    if len({take.sample_rate for take in takes}) > 1:
        rates = ", ".join(f"{take.name} {take.sample_rate} Hz" for take in takes)
        problems.append(Problem("session", f"its takes differ in sample rate ({rates})",
                                "convert them if the kit is to have one sample rate"))
    problems += _not_in_every_take(takes)
    found = {mic.found for take in takes for mic in take.mics}.union(passed_over)
    problems += _unanswered(edits, edits.mics, sorted(found, key=natural_key), ("mics",))


def _not_in_every_take(takes: Sequence[Take]) -> list[Problem]:
    """A problem for the mics of the kit that the same takes lack: a file may be missing, or have another name there."""
    there = [{mic.name for mic in take.mics if mic.role.means.of_kit} for take in takes]
    missing: dict[tuple[str, ...], list[str]] = {}
    for name in sorted(set().union(*there), key=natural_key):
        lacking = tuple(take.name for take, names in zip(takes, there, strict=True) if name not in names)
        if lacking:
            missing.setdefault(lacking, []).append(name)
    return [Problem("session", f"not in every take: {_some(names)} (missing in {_some(lacking)})",
                    f"add the files if there are any; if mics have other names there, give them one name in {FILE}; "
                    "takes with other mics may become separate sets of a drum") for lacking, names in missing.items()]


def _some(names: Sequence[str]) -> str:
    """Names in a line, the first few of many."""
    return ", ".join(names[:TOLD]) + (" …" if len(names) > TOLD else "")


TOLD = 6
"""So many names are told in a line."""


def _merged(stretches: Sequence[tuple[int, int]]) -> tuple[tuple[int, int], ...]:
    """Stretches in order, those that touch made one, empty ones left out."""
    merged: list[tuple[int, int]] = []
    for start, stop in sorted(stretches):
        if stop <= start:
            continue
        if merged and start <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(stop, merged[-1][1]))
        else:
            merged.append((start, stop))
    return tuple(merged)
