"""The one-shots of a finished kit as if they had just been cut, for tests of what finishes, tags and writes files."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path

from oneshot.audio.io import is_float, read_audio, read_header, read_int
from oneshot.config.recipe import Finishing, Naming
from oneshot.core.records.kit import Kit, OneShot
from oneshot.cutting.cutter import Cut, Job
from oneshot.cutting.fades import Samples
from oneshot.cutting.file_names import FileNames
from oneshot.cutting.file_tags import FileTags
from oneshot.cutting.files import Files, peaks
from oneshot.cutting.formats import Finisher
from oneshot.cutting.home_measures import HomeWindow
from oneshot.cutting.mix import mixdown
from oneshot.cutting.parts import Piece
from oneshot.selection.select import Pick


def jobs_of(folder: Path, kit: Kit, shots: Sequence[OneShot]) -> list[Job]:
    """Those one-shots of a kit, whose files lie in ``folder``, to be cut once more."""
    hits = {hit.id: hit for hit in kit.hits}
    return [Job(hits[shot.hit], Pick(shot.hit, shot.layer, shot.round_robin, shot.velocity), shot, (), None,
                read_header(folder / shot.files[0].path).sample_rate, partial(_cut, folder, shot)) for shot in shots]


def _cut(folder: Path, shot: OneShot) -> Cut:
    pieces = []
    for file in shot.files:
        header = read_header(folder / file.path)
        audio: Samples = (read_audio if is_float(header.subtype) else read_int)(folder / file.path)[0]
        label = " ".join(dict.fromkeys(name.removesuffix(" L").removesuffix(" R") for name in file.mics))
        pieces.append(Piece(replace(file, path="", sha256=""), audio, header.sample_rate, header.subtype, label))
    home = HomeWindow(pieces[0].audio[0], pieces[0].sample_rate, 0.0, 1e-4, shot.files[0].onset_frame,
                      shot.files[0].frames, shot.files[0].fade_out_frames)
    return Cut(tuple(pieces), home, ())


def written(folder: Path, kit: Kit, asked: Finishing, out: Path, *, shots: Sequence[OneShot] | None = None,
            tags: FileTags | None = None) -> tuple[Files, tuple[OneShot, ...]]:
    """The one-shots of a kit in ``folder``, or those ``shots``, finished as a recipe asks and written into ``out``."""
    chosen = kit.one_shots if shots is None else shots
    finisher, bus = Finisher(asked), mixdown.bus_of(kit.session) if asked.lite else ()
    if finisher.trims_groups:
        finisher.trim(peaks(jobs_of(folder, kit, chosen), finisher, kit.balance, bus))
    names = FileNames(Naming(), kit.session.name, suffix=finisher.suffix)
    files = Files(out, names, finisher, tags, kit.balance, bus, {drum.name: drum.home for drum in kit.drums},
                  {each.take: each for each in kit.noise}, 6.0)
    return files, tuple(files.shot(job).shot for job in jobs_of(folder, kit, chosen))
