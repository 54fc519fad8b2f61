"""Left out: what became of the hits that were found, at a glance, and which of those that are not clean are nearest to
it.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from oneshot.core.records.hits import Hit
from oneshot.core.records.kit import Kit
from oneshot.selection.round_robins import SPARE

FATES = ("kept", "spare", "not clean", "odd")
"""What can become of a hit: it has a one-shot; it could, but its layer is full; there is too much bleed in it; or
something else speaks against it, its sound, an ornament, a duplicate, or the user.
"""
REASONS = {"first to hear": "sounds odd beside similar hits (bounce, squeak, rattle, choked): hear it first"}
"""Kinds of reasons that need more words where no list of hits stands beside them."""
NOT_CLEAN = ("too much bleed", "hit together", "its onset is masked")
"""What the reason of a hit that is not clean begins with."""
NEAREST = 10
"""Hits that are not clean and listed one by one."""
NEAR_S = 1.5
"""A hit so long before another one may still ring into it (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class NotClean:
    """A hit that is not clean: its bleed in its drum's home mic, dB, None where that is not known, and what disturbs
    it, in words.
    """

    hit: Hit
    bleed_db: float | None
    disturbed_by: str


def fate(hit: Hit) -> str:
    """What became of a hit: one of ``FATES``."""
    if hit.kept:
        return "kept"
    reason = hit.reason or ""
    if reason.startswith(SPARE):
        return "spare"
    return "not clean" if reason.startswith(NOT_CLEAN) else "odd"


def fates(hits: Iterable[Hit]) -> dict[str, int]:
    """Fate -> how many hits it became of, in the order of ``FATES``."""
    counts = Counter(fate(hit) for hit in hits)
    return {name: counts[name] for name in FATES}


def nearest(kit: Kit, count: int = NEAREST) -> list[NotClean]:
    """The hits that are not clean and come nearest to it, the cleanest first."""
    homes = {drum.name: drum.home for drum in kit.drums}
    found = [NotClean(hit, hit.bleed_db.get(homes.get(hit.drum, "")), "") for hit in kit.hits
             if fate(hit) == "not clean"]
    found.sort(key=lambda each: (each.bleed_db is None, each.bleed_db, each.hit.id))
    rates = {take.name: take.sample_rate for take in kit.session.takes}
    return [NotClean(each.hit, each.bleed_db, _disturbed_by(each.hit, kit.hits, rates)) for each in found[:count]]


def _disturbed_by(hit: Hit, hits: Iterable[Hit], rates: Mapping[str, int]) -> str:
    """What is struck with a hit, or shortly before it; else what follows first."""
    if hit.partners:
        return " and ".join(partner.drum for partner in hit.partners) + " at the same time"
    rate = rates.get(hit.take, 48000)
    beside = [((other.onset - hit.onset) / rate, other) for other in hits
              if other.take == hit.take and other.id != hit.id]
    before = [(-away, other) for away, other in beside if -NEAR_S <= away <= 0 and other.drum != hit.drum]
    if before:
        away, other = min(before, key=lambda each: each[0])
        return f"{other.drum} {away:.2f} s before"
    after = [(away, other) for away, other in beside if 0 < away <= NEAR_S]
    if after:
        away, other = min(after, key=lambda each: each[0])
        return f"{other.drum} {away:.2f} s later"
    return "something that is no hit, or what may be masked by it"


def unused(kit: Kit) -> list[Hit]:
    """The hits that were left out: of which the kit has no one-shot or, where it holds prints alone, no print."""
    printed = {each.hit for each in kit.prints} if kit.prints_alone else frozenset[int]()
    return [hit for hit in kit.hits if not hit.kept and hit.id not in printed]


def left_out(hits: Iterable[Hit]) -> dict[str, int]:
    """Reason -> how many hits were left out for it, most frequent first.

    Reasons that differ only in a figure or in a name they quote count as one.
    """
    counts = Counter(reason_kind(hit.reason) for hit in hits if not hit.kept)
    return dict(sorted(counts.items(), key=lambda item: (-item[1], item[0])))


def reason_kind(reason: str | None) -> str:
    """A hit's reason without its particulars, so that like ones can be counted together.

    Left away: what follows a colon, what stands in brackets, a figure it begins with, which drums it was struck with.
    """
    if not reason:
        return "no reason given"
    kind = re.sub(r"\s*\([^)]*\)", "", reason.split(":")[0])
    kind = re.sub(r"^[-−+]?[\d.,]+ (?:dB|ms|s|Hz) ", "", kind)
    kind = re.sub(r"^(hit together with) .+", r"\1 another drum", kind)
    return kind.strip() or reason
