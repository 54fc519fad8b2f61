"""Left out: what became of each hit, and the nearest of those that are not clean with what disturbs them."""

from __future__ import annotations

from dataclasses import replace

from stage_inputs import hit

from oneshot.core.records.hits import Hit, Partner
from oneshot.core.records.kit import Kit
from oneshot.kit.report.left_out import FATES, fate, fates, nearest

REASONS = {"spare": "spare: its layer has 6 round robins, none of them less clean",
           "not clean": "too much bleed in its own mics: grade D, B required",
           "odd": "first to hear: a second attack 62 ms later"}


def test_every_hit_has_one_fate() -> None:
    """Kept, spare, not clean, or whatever else is said of it; they add up to all."""
    hits = [replace(hit(1), kept=True), *(replace(hit(n), reason=why) for n, why in enumerate(REASONS.values(), 2)),
            replace(hit(5), reason="part of a flam"), replace(hit(6), reason="rejected by hand"),
            replace(hit(7), reason="hit together with hat: grade C, B required")]

    assert ["kept", "spare", "not clean", "odd", "odd", "odd", "not clean"] == [fate(each) for each in hits]
    assert {"kept": 1, "spare": 1, "not clean": 2, "odd": 3} == fates(hits)
    assert tuple(fates([])) == FATES


def test_the_nearest_say_what_disturbs_them(own_example: Kit) -> None:
    """The cleanest first: what is struck with it, what was struck before it, what comes after."""
    take = own_example.session.takes[0]
    home = next(drum.home for drum in own_example.drums if drum.name == "kick")
    dirty = replace(hit(1), take=take.name, drum="kick", reason=REASONS["not clean"])

    def at(number: int, second: float, bleed_db: float | None) -> Hit:
        return replace(dirty, id=number, onset=round(second * take.sample_rate), bleed_db={home: bleed_db})

    with_hat = replace(at(1, 1.0, -20.0), partners=(Partner("hat", -30.0),))
    after_snare, before_kick, alone = at(2, 10.5, -28.0), at(3, 20.0, None), at(4, 40.0, -25.0)
    others = [replace(dirty, id=5, drum="snare", kept=True, onset=10 * take.sample_rate),
              replace(dirty, id=6, kept=True, onset=21 * take.sample_rate)]
    kit = replace(own_example, hits=(with_hat, after_snare, before_kick, alone, *others))

    assert [(2, "snare 0.50 s before"), (4, "something that is no hit, or what may be masked by it"),
            (1, "hat at the same time"), (3, "kick 1.00 s later")] == \
        [(each.hit.id, each.disturbed_by) for each in nearest(kit)]
    assert 1 == len(nearest(kit, 1))
