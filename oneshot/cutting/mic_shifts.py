"""Mic shifts: time alignment and polarity between the mics of a hit, where the recipe wants them other than as
recorded.

A shift is a whole number of frames, so that samples stay the recording's own: with shift s, frame i of a file is take
frame ``source_start + i + s``. A mic that a drum reaches later than the drum's home mic is moved forward by a positive
shift. A pair is shifted as one, by the mean of its sides, so that its stereo image stays. The home mic never moves:
other mics move against it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from statistics import fmean, median

from oneshot.analysis.result import Analysis, FoundDrum
from oneshot.config.recipe import FaderRecipe
from oneshot.core.records.hits import Drum
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Mic, Problem, Session, Take
from oneshot.cutting.mix import balance

RECORDED, POLARITY, KIT, DRUM = "recorded", "polarity", "kit", "drum"
"""The choices of ``cut.times``; each but the first sets polarity right, too."""
ANCHORS = ("snare", "kick", "tom")
"""Overheads are shifted, as one for the whole kit, to the close mic of the first of these that has one."""


@dataclass(frozen=True, slots=True)
class Shifts:
    """What is done to each mic.

    ``how``: the recipe's ``cut.times``; ``ms``: take -> drum -> mic -> shift (ms), 0 where the delay is not known;
    ``turned``: mics whose files are inverted; ``told``: mics that should be shifted and whose delay is not known.
    """

    how: str = RECORDED
    ms: Mapping[str, Mapping[str, Mapping[str, float]]] = field(default_factory=dict)
    turned: frozenset[str] = frozenset()
    told: tuple[Problem, ...] = ()

    def frames(self, take: Take, drum: str, mic: str) -> int:
        """Shift of a mic in a drum's files, frames of the take."""
        return round(self.ms.get(take.name, {}).get(drum, {}).get(mic, 0.0) * take.sample_rate / 1000)


def plan_shifts(session: Session, found: Analysis, drums: Sequence[FoundDrum], how: str,
                said: Mapping[str, FaderRecipe]) -> Shifts:
    """The shifts and turns of a whole kit. ``said``: what the recipe says of the balance, whose polarity outranks what
    was measured.
    """
    if how == RECORDED:
        return Shifts()
    turned = _turned(session, found, drums, said)
    if how == POLARITY:
        return Shifts(how, turned=turned)
    fixed = _fixed_ms(session, found, drums) if how == KIT else {}
    ms: dict[str, dict[str, dict[str, float]]] = {}
    for take in session.takes:
        for drum in drums:
            known = fixed if how == KIT else _as_one(take.mics, _known(found, take.name, drum.name))
            home = known.get(drum.home, 0.0)
            other = 0.0 if how == KIT else home  # what is not known stays: in the kit, or by the home mic
            ms.setdefault(take.name, {})[drum.name] = {
                mic.name: 0.0 if mic.name == drum.home else known.get(mic.name, other) - home for mic in take.mics}
    return Shifts(how, ms, turned, tuple(_untold(session, found, drums)) if how == DRUM else ())


def _untold(session: Session, found: Analysis, drums: Sequence[FoundDrum]) -> Iterator[Problem]:
    """A problem for each drum and take with mics whose delay is not known."""
    for take in session.takes:
        for drum in drums:
            known = _as_one(take.mics, _known(found, take.name, drum.name))
            stay = [mic.name for mic in take.mics if mic.name not in known and mic.name != drum.home
                    and (mic.stands_at(drum.name) or mic.role.means.far)]
            if stay and any(hit.take == take.name and hit.drum == drum.name for hit in found.hits):
                yield Problem(take.name, f"the delay of the {drum.name} in {', '.join(stay)} could not be measured, "
                              "so it is not shifted", "see delays in manifest.json, or choose another cut.times")


def _turned(session: Session, found: Analysis, drums: Sequence[FoundDrum],
            said: Mapping[str, FaderRecipe]) -> frozenset[str]:
    """The mics that the kit's balance would turn over."""
    placed = [Drum(drum.name, drum.kind, drum.home, ()) for drum in drums]
    computed = balance.compute_balance(session, placed, bleed={}, polarity=found.polarity)
    faders, _ = balance.override(computed, said)
    return frozenset(name for name, fader in faders.items() if fader.polarity < 0)


def _known(found: Analysis, take: str, drum: str) -> dict[str, float]:
    """Mic -> delay of a drum re its home mic (ms), where it is known."""
    return {mic: ms for mic, ms in found.delays_ms.get(take, {}).get(drum, {}).items() if ms is not None}


def _as_one(mics: Sequence[Mic], ms: Mapping[str, float]) -> dict[str, float]:
    """The same with one value for all mics of a pair."""
    sides: dict[str, list[float]] = {}
    for mic in mics:
        if mic.name in ms:
            sides.setdefault(mic.pair or mic.name, []).append(ms[mic.name])
    return {mic.name: fmean(sides[mic.pair or mic.name]) for mic in mics if (mic.pair or mic.name) in sides}


def _fixed_ms(session: Session, found: Analysis, drums: Sequence[FoundDrum]) -> dict[str, float]:
    """One shift for each mic of the kit: a drum's further close mics go to its home mic, overheads to the close mic of
    the snare (or kick, or tom); rooms and buses stay.
    """
    mics = {mic.name: mic for take in reversed(session.takes) for mic in take.mics}
    anchor = next((drum for kind in ANCHORS for drum in drums
                   if drum.kind == kind and drum.home in mics and mics[drum.home].role is Role.CLOSE), None)
    out: dict[str, float] = {}
    for mic in mics.values():
        own = next((drum for drum in drums if mic.stands_at(drum.name) and mic.name != drum.home), None)
        drum = anchor if mic.role is Role.OVERHEAD else own
        told = [] if drum is None else [known[mic.name] for take in session.takes
                                        if mic.name in (known := _known(found, take.name, drum.name))]
        if told:
            out[mic.name] = median(told)
    return _as_one(list(mics.values()), out)
