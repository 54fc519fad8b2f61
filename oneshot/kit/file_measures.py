"""Remeasured: what a one-shot or a print is said to be, measured again from its files.

The limits here leave room for what undoing the fades leaves (``cutting/home_measures.py``), and for lost bits.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

from oneshot.audio.io import read_audio, read_header
from oneshot.core.errors import AudioError
from oneshot.core.records.kit import Kit, OneShot, Print, Sample, TakeNoise
from oneshot.core.records.session import Floats
from oneshot.cutting.home_measures import HomeMeasures, finished_measures
from oneshot.cutting.mix import balance, mixdown

PITCH_SHARE = 0.003
"""5 cents."""
DECAY_SHARE = 0.2
RING_DB = 1.0
MIX_DB = 0.05
Finding = tuple[str, str, str, str]
"""Where, what, expected, found."""


def shot_findings(folder: Path, kit: Kit, shot: OneShot, take: str) -> Iterator[Finding]:
    """What is otherwise than the one-shot's row says, a hit of ``take``; nothing where a file cannot be read or has
    other channels, which is told elsewhere.
    """
    try:
        if not all(read_header(folder / each.path).channels == len(each.mics)
                   for each in (*shot.files, *shot.untouched)):
            return
        yield from _home(folder, kit, shot, take)
        rate = kit.session.take(take).sample_rate
        again = mixdown.with_levels(folder, [shot], kit.balance, {shot.hit: rate})[0]
    except AudioError:
        return
    for name, said, found in (("mix_db", shot.mix_db, again.mix_db), ("close_db", shot.close_db, again.close_db)):
        if said is not None and (found is None or abs(found - said) > MIX_DB):
            yield shot.files[0].path, name, f"{said:.2f}", "none" if found is None else f"{found:.2f}"


def print_findings(folder: Path, each: Print) -> Iterator[Finding]:
    """What is otherwise than a print's row says."""
    try:
        x, header = read_audio(folder / each.path)
    except AudioError:
        return
    points = balance.first_excursion(x.sum(axis=0), sample_rate=header.sample_rate)
    if points != each.first_excursion:
        yield each.path, "first_excursion", str(each.first_excursion), str(points)


def home_measures(folder: Path, kit: Kit, shot: OneShot, take: str) -> tuple[Sample, HomeMeasures] | None:
    """The file of a kit's one-shot, a hit of ``take``, that has its home mic, and what that tells; None where no file
    has. Raises AudioError where the file cannot be read.
    """
    def read(file: Sample) -> tuple[Floats, int]:
        """A file's channels and sample rate, as exported."""
        audio, header = read_audio(folder / file.path)
        return audio, header.sample_rate

    home = next((drum.home for drum in kit.drums if drum.name == shot.drum), "")
    noise = next((each for each in kit.noise if each.take == take), TakeNoise(take, {}))
    cutting = kit.recipe.get("cut")
    above = float(cutting.get("above_noise_db", 6.0)) if isinstance(cutting, Mapping) else 6.0
    return finished_measures((*shot.files, *shot.untouched), read, shot.hit, home, noise, above)


def _home(folder: Path, kit: Kit, shot: OneShot, take: str) -> Iterator[Finding]:
    """What pitch, decay and ring are otherwise than the row says."""
    found = home_measures(folder, kit, shot, take)
    if found is None:
        return
    file, home = found
    path, ring = file.path, home.ring_kept_db
    for what, want, got, limit in (
            ("fundamental_hz", shot.fundamental_hz, home.fundamental_hz, PITCH_SHARE),
            ("edt_s", shot.edt_s, home.decay.edt_s, DECAY_SHARE),
            ("t20_s", shot.t20_s, home.decay.t20_s, DECAY_SHARE)):
        if want and got and abs(got / want - 1) > limit:  # where noise decides whether it can be told, it may not be
            yield path, what, f"{want:.3f}", f"{got:.3f}"
    if shot.ring_kept_db is not None and ring is not None and abs(ring - shot.ring_kept_db) > RING_DB:
        yield path, "ring_kept_db", f"{shot.ring_kept_db:.1f}", f"{ring:.1f}"
