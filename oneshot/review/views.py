"""Facts: what the page shows of a kit, as plain types. Names go out as they stand: the page writes texts only."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Mapping
from dataclasses import asdict, replace
from typing import Any

from oneshot.config import handling
from oneshot.config.corrections import REACH_S
from oneshot.config.corrections_file import Correction
from oneshot.core.errors import KitError
from oneshot.core.records.hits import Hit
from oneshot.core.records.kit import Kit, OneShot
from oneshot.kit.levels import hit_dbfs
from oneshot.kit.playback import grooves, keymap
from oneshot.kit.playback.sampler import Note, Player
from oneshot.kit.report.left_out import reason_kind
from oneshot.kit.report.order import in_kit_order
from oneshot.review.decisions import entry_row, replaced_by
from oneshot.review.recordings import Recordings
from oneshot.review.state import Desk

UNSURE = 0.6
"""Confidence of the drum below which a hit is worth a listen."""
NEARLY_DB = 4.0
"""A stroke left out whose bleed is within this of the cleanest that was kept is a near miss."""
LIKE_DB = 3.0
"""One-shots of strengths that near take turns, or could: the smallest step between layers."""
VELOCITIES = (12, 24, 36, 48, 60, 72, 84, 96, 108, 127)


def summary(desk: Desk) -> dict[str, Any]:
    """The kit as a whole: drums, takes, mics, balance, and how things stand."""
    kit, now = desk.kit, desk.now()
    ways: dict[str, Counter[str]] = {}
    for hit in now.hits:
        ways.setdefault(hit.drum, Counter())[hit.articulation] += 1
    place = {drum.name: n for n, drum in enumerate(in_kit_order(kit.drums))}
    return {
        "revision": desk.revision, "name": _name(kit), "session": desk.session.name,
        "takes": [{"name": t.name, "rate": t.sample_rate, "frames": t.frames,
                   "mics": [{"name": m.name, "role": str(m.role), "pair": m.pair, "side": m.side} for m in t.mics
                            if m.role.means.plays]} for t in desk.heard.takes],
        "drums": [{"name": name, "articulations": [a for a, _ in found.most_common()]}
                  for name, found in sorted(ways.items(), key=lambda each: (place.get(each[0], len(place)), each[0]))],
        "keys": [{"drum": d.name, "articulation": a.name, "key": a.key}
                 for d in in_kit_order(kit.drums) for a in d.articulations],
        "shots": [_shot(shot) for shot in kit.one_shots],
        "hits": len(kit.hits), "problems": [f"{p.what}: {p.todo}" for p in now.problems],
        "warnings": [f"{p.where}: {p.what}; {p.todo}" for p in kit.problems], "outlook": desk.outlook, **standing(desk),
    }


def standing(desk: Desk) -> dict[str, Any]:
    """All that was decided: the entries in order, which of them the kit lacks, and why one has no effect; each mic's
    fader as it sounds now, which of them somebody set, and which are not built yet; what can be taken back and done
    again.
    """
    pending, void = list(desk.journal.pending), _without_effect(desk)
    rows = []
    for entry in reversed(desk.journal.entries):
        waiting = entry in pending
        if waiting:
            pending.remove(entry)
        reason = next((each for each in reversed(void) if each[0] == entry), None)
        if reason is not None:
            void.remove(reason)
        rows.append({**entry_row(entry), "pending": waiting, "void": None if reason is None else reason[1]})
    said, built = desk.journal.said, _built_balance(desk.kit)
    return {"decisions": rows[::-1], "withdrawn": _deleted(desk),
            "balance": {name: asdict(fader) for name, fader in desk.balance().items()}, "said": said,
            "moved": [mic for mic in desk.kit.balance if said.get(mic) != built.get(mic)],
            "undo": desk.journal.to_undo, "redo": desk.journal.to_redo}


def _deleted(desk: Desk) -> int:
    """How many entries the kit was built with and no other took the place of."""
    waiting = desk.journal.pending
    return sum(all(replaced_by((entry,), each) is None for each in waiting) for entry in desk.journal.withdrawn)


def _without_effect(desk: Desk) -> list[tuple[Correction, str]]:
    """Entries that come to nothing, each with the reason, in order; of a layer that the kit lacks once it was built."""
    now, waiting = desk.now(), desk.journal.pending
    out = list(now.void)
    for setting in now.settings:
        if setting.entry not in waiting:
            out += [(setting.entry, problem.what)
                    for problem in handling.unmet(replace(now, settings=(setting,)), desk.kit.hits)]
    return out


def _built_balance(kit: Kit) -> Mapping[str, Any]:
    """What the recipe said of the balance when the kit was built."""
    found = kit.recipe.get("balance")
    return found if isinstance(found, dict) else {}


def rows(desk: Desk) -> list[dict[str, Any]]:
    """All hits, as short as a list needs them, in order of take and time."""
    heed = first_to_hear(desk.kit, _settled(desk))
    order = {take.name: n for n, take in enumerate(desk.session.takes)}
    rates = desk.rates
    touched = _touched(desk)
    kept_as = {h.id: h for h in desk.kit.hits}
    now = desk.now()
    out = []
    for hit in sorted(now.hits, key=lambda h: (order.get(h.take, 0), h.onset, h.id)):
        shot = desk.shots.get(hit.id)
        before = kept_as[hit.id]
        out.append({
            "id": hit.id, "take": order.get(hit.take, 0), "s": round(hit.onset / rates[hit.take], 4),
            "frame": hit.onset, "drum": hit.drum, "way": hit.articulation,
            "level": _round(hit_dbfs(hit.level_db, rates[hit.take])),
            "layer": before.layer, "robin": shot.round_robin if shot else None, "kept": before.kept,
            "grade": shot.grade if shot else None, "why": before.reason, "heed": heed.get(hit.id),
            "was": None if (before.drum, before.articulation) == (hit.drum, hit.articulation)
            else [before.drum, before.articulation],
            "told": touched.get(hit.id),
        })
    return out


def first_to_hear(kit: Kit, settled: frozenset[int] = frozenset()) -> dict[int, list[Any]]:
    """Hit id -> [what hearing it would bring to the kit, why]: kept strokes that are not clean, and strokes that nearly
    made it.

    What it would bring is its share of the kit's one-shots within ``LIKE_DB`` of its strength: one where it is the only
    one there, or would be, a tenth where there are ten. ``settled``: hits that somebody has heard and decided on.
    """
    cleanest = _worst_kept(kit)
    homes = {drum.name: drum.home for drum in kit.drums}
    grade = {shot.hit: shot.grade for shot in kit.one_shots}
    levels: dict[tuple[str, str], list[float]] = {}
    for hit in kit.hits:
        if hit.kept and hit.level_db is not None:
            levels.setdefault((hit.drum, hit.articulation), []).append(hit.level_db)

    def share(hit: Hit) -> float:
        """Of a hit among the one-shots that are about as strong."""
        near = [level for level in levels.get((hit.drum, hit.articulation), ())
                if hit.level_db is not None and abs(level - hit.level_db) <= LIKE_DB]
        return round(1 / max(len(near) + (not hit.kept), 1), 3)

    out: dict[int, list[Any]] = {}
    for hit in (hit for hit in kit.hits if hit.id not in settled):
        home_db = hit.bleed_db.get(homes.get(hit.drum, ""))
        if hit.kept and grade.get(hit.id, "A") in ("C", "D"):
            out[hit.id] = [share(hit), f"in the kit with grade {grade[hit.id]}"]
        elif hit.kept and hit.fallback:
            out[hit.id] = [share(hit), "best available, below the required grade"]
        elif hit.kept and hit.confidence < UNSURE:
            out[hit.id] = [share(hit), f"drum uncertain ({round(hit.confidence * 100)} %)"]
        elif not hit.kept and reason_kind(hit.reason) == "first to hear":
            out[hit.id] = [share(hit), "unusual sound"]
        elif not hit.kept and not hit.partners and hit.ornament is None and home_db is not None \
                and home_db <= cleanest.get((hit.drum, hit.articulation), -1e9) + NEARLY_DB:
            out[hit.id] = [share(hit), "just missed selection"]
    return out


def _worst_kept(kit: Kit) -> dict[tuple[str, str], float]:
    """(drum, articulation) -> the most bleed among its kept hits in its home mic, dB."""
    homes = {drum.name: drum.home for drum in kit.drums}
    out: dict[tuple[str, str], float] = {}
    for hit in kit.hits:
        told = hit.bleed_db.get(homes.get(hit.drum, ""))
        if hit.kept and told is not None:
            key = (hit.drum, hit.articulation)
            out[key] = max(out.get(key, told), told)
    return out


def _settled(desk: Desk) -> frozenset[int]:
    """Hits that were kept, rejected or made the first round robin of their layer by hand."""
    found = (desk.near(place) for entry in desk.journal.entries
             for place in (entry.hits if entry.kind in ("keep", "reject") else
                           entry.hits[:1] if entry.kind == "round_robins" else ()))
    return frozenset(hit.id for hit in found if hit is not None)


def _touched(desk: Desk) -> dict[int, list[str]]:
    """Hit id -> the kinds of the entries that wait and name it."""
    out: dict[int, list[str]] = {}
    for entry in desk.journal.pending:
        for place in entry.hits:
            hit = desk.near(place)
            if hit is not None:
                out.setdefault(hit.id, []).append(entry.kind)
    return out


def detail(desk: Desk, recordings: Recordings, number: int,
           grades: Mapping[tuple[str, int], Mapping[str, str]]) -> dict[str, Any]:
    """Everything about one hit; ``grades``: (take, onset) -> mic -> grade, for mics that have no file in the kit.

    Raises KitError, AudioError.
    """
    hit = desk.hit(number)
    would = grades.get((hit.take, hit.onset), {})
    take = recordings.take(hit.take)
    rate = take.sample_rate
    shot: OneShot | None = desk.shots.get(number)
    files = {mic: file for file in (shot.files if shot else ()) for mic in file.mics}
    used = {mic for each in desk.kit.one_shots if each.drum == hit.drum for file in each.files for mic in file.mics}
    spectra = recordings.spectra(hit)
    reach = 4 * rate
    home = next((d.home for d in desk.kit.drums if d.name == hit.drum), None)
    return {
        "id": hit.id, "take": hit.take, "frame": hit.onset, "rate": rate, "confidence": round(hit.confidence, 2),
        "level": _round(hit_dbfs(hit.level_db, rate)), "kept": hit.kept, "fallback": hit.fallback, "reason": hit.reason,
        "layer": hit.layer, "home": home, "isolated": hit.isolated,
        "with": [{"drum": p.drum, "level": _round(hit_dbfs(p.level_db, rate))} for p in hit.partners],
        "ornament": hit.ornament.kind if hit.ornament else None,
        "lufs": _round(recordings.lufs(hit, hit.onset + rate)),
        "mics": [{"name": mic.name, "role": str(mic.role), "bleed": _round(hit.bleed_db.get(mic.name)),
                  "grade": files[mic.name].grade if mic.name in files else would.get(mic.name),
                  "filed": mic.name in files, "used": mic.name in used or not used, "onset": hit.onsets.get(mic.name),
                  "predicted": mic.name in hit.predicted, "usable": mic.name in hit.usable,
                  "clean_s": _round(hit.clean_s.get(mic.name), 2), "spectrum": row}
                 for mic, row in zip(recordings.mics(take), spectra, strict=True)],
        "cut": _cut(shot, rate) if shot else None,
        "near": [{"id": h.id, "frame": h.onset, "drum": h.drum} for h in desk.kit.hits
                 if h.take == hit.take and h.id != hit.id and abs(h.onset - hit.onset) < reach],
        "entries": _entries_of(desk, hit),
    }


def _entries_of(desk: Desk, hit: Hit) -> list[dict[str, Any]]:
    """Every entry, built or waiting, that names this hit, with its place in the order of the file."""
    reach = REACH_S * desk.rates[hit.take]
    return [{**entry_row(e), "number": number} for number, e in enumerate(desk.journal.entries)
            if any(p.take == hit.take and abs(p.frame - hit.onset) <= reach for p in e.hits)]


def _cut(shot: OneShot, rate: int) -> dict[str, Any]:
    """Where a one-shot starts and ends, in take frames; the fade-out is the shortest of its files'."""
    file = shot.files[0]

    def frames(count: int) -> int:
        """Frames of a file as frames of its take."""
        return count if file.sample_rate is None else round(count * rate / file.sample_rate)

    return {"start": file.source_start, "attack": file.source_start + frames(file.onset_frame),
            "stop": file.source_start + frames(file.frames), "fade_in": frames(file.fade_in_frames),
            "fade_out": frames(min(f.fade_out_frames for f in shot.files)), "gain_db": file.gain_db,
            "nudged": file.nudged_frames}


def _shot(shot: OneShot) -> dict[str, Any]:
    return {"hit": shot.hit, "drum": shot.drum, "way": shot.articulation, "layer": shot.layer,
            "robin": shot.round_robin, "velocity": list(shot.velocity), "grade": shot.grade,
            "mix": _round(shot.mix_db), "onset": shot.files[0].onset_frame}


def voices(desk: Desk, what: str, drum: str | None, articulation: str | None) -> dict[str, Any]:
    """What to play: a groove over the kit, a group's layers from soft to hard ("ladder"), or one key over velocity
    ("velocity"). Times in s. Raises KitError where the kit has nothing to play there.
    """
    rate = max(take.sample_rate for take in desk.kit.session.takes)
    keys = keymap.keys_of(desk.kit, keymap.mix_levels(desk.kit))
    mine = tuple(k for k in keys if k.drum.name == drum and (articulation is None or k.articulation == articulation))
    if what == "groove":
        notes = grooves.groove(keys, rate)
    elif what == "ladder":
        every = [(k.key, (layer.low + layer.high) // 2) for k in mine for layer in k.layers for _ in layer.alternates]
        notes = [Note(round((0.2 + n * 0.6) * rate), key, velocity) for n, (key, velocity) in enumerate(every)]
    else:
        notes = [Note(round((0.2 + n * 0.5) * rate), k.key, v) for k in mine[:1] for n, v in enumerate(VELOCITIES)]
    if not notes:
        raise KitError("the kit has no one-shot to play there")
    found = Player(desk.folder, desk.kit, rate).voices(notes)
    return {"voices": [{"at": round(v.note.at / rate, 5), "hit": v.shot.hit, "gain": round(v.gain_db, 2),
                        "velocity": v.note.velocity, "cut": None if v.cut_at is None else round(v.cut_at / rate, 5)}
                       for v in found], "fade": keymap.CHOKE_S}


def _name(kit: Kit) -> str:
    info = kit.recipe.get("kit")
    return str(info.get("name") or kit.session.name) if isinstance(info, dict) else kit.session.name


def _round(value: float | None, digits: int = 1) -> float | None:
    return None if value is None else round(value, digits)


def as_json(record: object) -> bytes:
    """Strict JSON."""
    return json.dumps(record, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode("utf-8")


