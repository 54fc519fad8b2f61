"""What the page's script needs: the map, and for every one-shot its files, their figures and outlines of their sound.

An outline is the greatest absolute sample of each of some equal stretches, over all channels, in steps of 1.5 dB below
full scale: one character a stretch, so that all files of a kit are drawn on one scale. There are two views: the whole
file, and its first ``START_S``. How many stretches a page has for each file depends on how many files there are, since
a page is sent and kept with every kit.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from oneshot.analysis.records import EVENT_S
from oneshot.audio.io import read_audio
from oneshot.core.cache.results import Kind, recalled, sound_of
from oneshot.core.records.hits import Hit
from oneshot.core.records.kit import Kit, OneShot, Print, Sample
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Floats, Take
from oneshot.kit.levels import hit_dbfs, mix_levels_dbfs
from oneshot.kit.report.order import ROLES, rank
from oneshot.kit.report.velocity_map import Row, map_data

POINTS = {"whole": 192, "start": 96}
"""Stretches of each view as it is measured and stored."""
COARSER = (1, 2, 3, 4, 6)
"""How many of them a page may draw as one."""
MOST_DRAWN = 200_000
"""Characters of outlines that a page holds at most, as long as the coarsest keeps within it."""
START_S = 0.05
STEP_DB = 1.5
STEPS = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+-"
"""Level -> character: the first is silence and all that is too soft, the last 0 dBFS, ``STEP_DB`` between two."""
OUTLINES: Kind[Mapping[str, object]] = Kind("outlines", dict[str, Any])
"""By the sum of a file with these samples."""
ENDED_BY = {"noise": "the tail has met the noise", "next stroke": "before the next hit",
            "other sound": "before another sound", "longest": "the recipe's longest", "end of take": "end of the take",
            "by hand": "set by hand"}
"""Why a file ends where it does, in words."""
SHOT_FIELDS = ("row", "layer", "robin", "hit", "take", "at", "level", "own", "grade", "pitch", "decay", "ring",
               "fallback", "closeOnly", "with", "lead", "seconds", "fadeOut", "end", "next", "nextDrum", "home", "stem",
               "files")
FILE_FIELDS = ("lane", "grade", "bleed", "peak", "lufs", "whole", "start", "secondsMore", "leadMore", "other", "mute",
               "inverted")
"""What stands where in the rows of one-shots and files: a name said once in place of two thousand times. ``lead`` and
``seconds`` are the home file's, s from its start to the attack and its length; ``…More`` is what a file has beyond it.
Zeros at the end of a file's row are left out. A ``lane`` is what files of many one-shots share: their mics, and what
their path has after the one-shot's ``stem``.
"""


def outline(data: Floats, points: int) -> str:
    """Outline of a sound, one character of ``STEPS`` a stretch.

    Parameters
    ----------
    data
        float64 (channels, frames), full scale 1.0; what is not finite counts as silence.
    points
        Stretches; a file with fewer frames repeats them.

    Returns
    -------
    str
        The greatest absolute sample of each stretch, over all channels, rounded to ``STEP_DB``.
    """
    channels, frames = data.shape
    if not channels or not frames:
        return STEPS[0] * points
    edges = np.minimum(np.arange(points) * frames // points, frames - 1)
    peaks = np.maximum.reduceat(np.abs(np.nan_to_num(data, nan=0.0, posinf=0.0, neginf=0.0)).max(axis=0), edges)
    last = len(STEPS) - 1
    steps = last + np.rint(20 * np.log10(np.maximum(peaks, 1e-9)) / STEP_DB).astype(int)
    return "".join(STEPS[step] for step in np.clip(steps, 0, last))


def outlines(data: Floats, sample_rate: int) -> dict[str, Any]:
    """Both views of a sound, float64 (channels, frames): ``whole``, ``start``, ``seconds``."""
    first = max(1, round(START_S * sample_rate))
    start = data[:, :first]
    if start.shape[1] < first:
        start = np.pad(start, ((0, 0), (0, first - start.shape[1])))
    return {"whole": outline(data, POINTS["whole"]), "start": outline(start, POINTS["start"]),
            "seconds": round(data.shape[1] / sample_rate, 4)}


def outlines_of(path: Path) -> dict[str, Any]:
    """Both views of a kit's sound file.

    Raises
    ------
    AudioError
        The file is missing or is no sound file.
    """
    data, header = read_audio(path)
    return outlines(data, header.sample_rate)


def coarser(text: str, by: int) -> str:
    """An outline with ``by`` stretches drawn as one, which has the level of the loudest of them."""
    return text if by == 1 else "".join(max(text[i:i + by], key=STEPS.index) for i in range(0, len(text), by))


def pooled(files: int) -> int:
    """How many stretches a page with so many files draws as one."""
    each = sum(POINTS.values())
    return next((by for by in COARSER if files * each // by <= MOST_DRAWN), COARSER[-1])


def page_data(kit: Kit, folder: Path, drawn: Mapping[str, Mapping[str, object]], rows: Sequence[Row]) -> dict[str, Any]:
    """Everything the script reads, as plain types: the map, the balance, the one-shots and the prints.

    ``drawn``: path -> the outlines of a sound file, where they are known; of others they are taken from the file.
    ``rows``: the strips of the map.
    """
    shots = _Shots(kit, folder, drawn, rows)
    return {
        "startSeconds": START_S, "steps": STEPS, "stepDb": STEP_DB, "shotFields": SHOT_FIELDS,
        "fileFields": FILE_FIELDS,
        "map": map_data(kit, rows),
        "raised": round(_raised(kit, rows), 1),
        "balance": {name: {"gain": fader.gain_db, "pan": fader.pan, "polarity": fader.polarity, "on": fader.on}
                    for name, fader in kit.balance.items()},
        "shots": [shots.row(shot) for shot in kit.one_shots],
        "takes": [take.name for take in kit.session.takes],
        "drums": [drum.name for drum in kit.drums],
        "lanes": [{"mics": list(mics), "role": shots.role(mics), "rest": rest} for mics, rest in shots.lanes],
        "prints": [_print(item, folder, drawn) for item in kit.prints],
    }


def _raised(kit: Kit, rows: Sequence[Row]) -> float:
    """By how much a file is raised at most, dB: so much a player needs in hand to keep the levels between files."""
    levels = mix_levels_dbfs(kit)
    gains = [fader.gain_db for fader in kit.balance.values() if fader.on]
    trims = [wanted - level for row in rows for cell in row.cells for wanted in cell.wanted.values()
             for shot in cell.shots if (level := levels.get(shot.hit)) is not None]
    return max(0.0, *gains, 0.0) + max(0.0, *trims, 0.0)


class _Shots:
    """The rows of one-shots; ``lanes`` fills up with the mics that files are of and what their paths end with."""

    def __init__(self, kit: Kit, folder: Path, drawn: Mapping[str, Mapping[str, object]], rows: Sequence[Row]) -> None:
        self._kit, self._folder, self._drawn = kit, folder, dict(drawn)
        self._takes = {take.name: n for n, take in enumerate(kit.session.takes)}
        self._hits = {hit.id: hit for hit in kit.hits}
        self._drums = {drum.name: n for n, drum in enumerate(kit.drums)}
        self._homes = {drum.name: drum.home for drum in kit.drums}
        self._rows = {(row.drum.name, row.how.name): n for n, row in enumerate(rows)}
        self._levels = mix_levels_dbfs(kit)
        self._following = following(kit.hits, {take.name: take.sample_rate for take in kit.session.takes})
        self._roles = {mic.name: mic.role for take in kit.session.takes for mic in take.mics}
        self._by = pooled(sum(len(shot.files) for shot in kit.one_shots))
        self.lanes: dict[tuple[tuple[str, ...], str], int] = {}

    def role(self, mics: Sequence[str]) -> str:
        """What the mics of a lane are for."""
        return str(self._roles.get(mics[0], Role.BUS)) if mics else ""

    def row(self, shot: OneShot) -> list[Any]:
        """One one-shot, as ``SHOT_FIELDS``."""
        hit, take = self._hits[shot.hit], self._kit.session.takes[self._takes[self._hits[shot.hit].take]]
        files = sorted(shot.files, key=lambda file: self._near_first(shot, file))
        home = next((n for n, file in enumerate(files) if self._homes.get(shot.drum) in file.mics), 0)
        stem = shared([file.path for file in files])
        mine = files[home]
        rate = mine.sample_rate or take.sample_rate
        after = self._following.get(hit.id)
        return [
            self._rows[shot.drum, shot.articulation], shot.layer, shot.round_robin, shot.hit, self._takes[take.name],
            clock(hit.onset, take.sample_rate), _rounded(hit_dbfs(hit.level_db, take.sample_rate)),
            _rounded(self._levels.get(shot.hit)), shot.grade, _rounded(shot.fundamental_hz), _rounded(shot.decay_s, 2),
            _rounded(shot.ring_kept_db, 0), int(hit.fallback), int(shot.close_only),
            [partner.drum for partner in hit.partners], _lead(mine, take), self._outlines(mine)["seconds"],
            round(mine.fade_out_frames / rate, 4), ENDED_BY.get(shot.ended_by or "", ""),
            None if after is None else round((after.onset - hit.onset) / take.sample_rate, 3),
            None if after is None else self._drums.get(after.drum), home, stem,
            [self._file(shot, file, mine, take, stem) for file in files]]

    def _near_first(self, shot: OneShot, file: Sample) -> tuple[int, int]:
        """The home mic, then from near to far."""
        return int(self._homes.get(shot.drum) not in file.mics), rank(ROLES, self._roles.get(file.mics[0], ""))

    def _outlines(self, file: Sample) -> Mapping[str, Any]:
        """How a file is drawn, and how long it is."""
        known = self._drawn.get(file.path)
        if known is None:
            known = recalled(OUTLINES, sound_of(file.sha256), lambda: outlines_of(self._folder / file.path))
            self._drawn[file.path] = known
        return known

    def _file(self, shot: OneShot, file: Sample, home: Sample, take: Take, stem: str) -> list[Any]:
        """One file, as ``FILE_FIELDS``."""
        lines = self._outlines(file)
        row = [
            self.lanes.setdefault((file.mics, file.path.removeprefix(stem)), len(self.lanes)),
            "–" if file.processed else file.grade,  # nothing judged it
            _rounded(file.bleed_db), _rounded(file.peak_dbfs), _rounded(file.momentary_lufs),
            coarser(str(lines["whole"]), self._by), coarser(str(lines["start"]), self._by),
            round(lines["seconds"] - self._outlines(home)["seconds"], 4) or 0,
            round(_lead(file, take) - _lead(home, take), 5) or 0, 0 if file.hit == shot.hit else file.hit,
            int(not file.plays or (shot.close_only and file.far)), int(file.inverted)]
        while row[-1] == 0:
            row.pop()
        return row


def _lead(file: Sample, take: Take) -> float:
    """From a file's start to its attack, s."""
    return round(file.onset_frame / (file.sample_rate or take.sample_rate), 5)


def following(hits: Sequence[Hit], rates: Mapping[str, int]) -> dict[int, Hit]:
    """Hit -> the next one in its take, whatever it is of; not what was struck together with it. ``rates``: of takes."""
    takes: dict[str, list[Hit]] = {}
    for hit in sorted(hits, key=lambda each: (each.onset, each.id)):
        takes.setdefault(hit.take, []).append(hit)
    out: dict[int, Hit] = {}
    for take, inside in takes.items():
        apart = EVENT_S * rates[take]
        for n, hit in enumerate(inside):
            later = next((each for each in inside[n + 1:] if each.onset - hit.onset > apart), None)
            if later is not None:
                out[hit.id] = later
    return out


def _print(item: Print, folder: Path, drawn: Mapping[str, Mapping[str, object]]) -> dict[str, Any]:
    lines = drawn.get(item.path) or outlines_of(folder / item.path)
    return {"title": f"{item.print}, layer {item.layer}, rank {item.rank}", "path": item.path,
            "seconds": lines["seconds"],
            "whole": coarser(str(lines["whole"]), COARSER[1])}


def shared(paths: Sequence[str]) -> str:
    """What paths begin with alike."""
    first, last = min(paths), max(paths)
    return first[:next((n for n, (a, b) in enumerate(zip(first, last, strict=False)) if a != b), len(first))]


def clock(frame: int, sample_rate: int) -> str:
    """A frame as minutes, seconds and thousandths: ``1:02.345``."""
    minutes, seconds = divmod(round(frame / sample_rate * 1000) / 1000, 60)
    return f"{int(minutes)}:{seconds:06.3f}"


def _rounded(value: float | None, digits: int = 1) -> float | None:
    return None if value is None else round(value, digits)
