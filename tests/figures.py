"""Every figure of the evaluation for one take of a kit, and which strokes went wrong.

A stroke is *clear* in a mic where all else is 20 dB below it and its true onset is sharp. A row of the kit belongs to
the one stroke of its event or, where several fall within 15 ms, to the one of its drum.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.stats import spearmanr
from scoring import CLEAN_DB, WINDOW_S, Row, drum_names, events, f1, jitter_ms, one_to_one, strokes_found
from sklearn.metrics import adjusted_rand_score, v_measure_score

AUDIBLE_DB = -30.0
"""Strokes with less energy than this in their home mic are left out of the drum figure."""
HONEST_DB = {"A": -34.0, "B": -24.0, "C": -19.0}
"""Bleed over 200 ms and all bands up to which a grade may be true: the looser limits, and a decibel for the rounding of
the truth. A file above them is graded falsely for certain."""
FEWEST_OF_EACH = 5
"""Hits that a drum needs of two articulations for them to be judged."""
FEWEST_STRENGTHS = 9
"""Hits that a drum needs for the order of its strengths to be judged."""

Figures = dict[str, float | None]


@dataclass(frozen=True, slots=True)
class Matched:
    """A take of a kit beside its truth: events in pairs, and what was left over on either side.

    ``names`` are the kit's drums in the words of the truth; ``truth_of`` is the stroke of each row that has one.
    """

    truth: Row
    take: str
    rows: list[Row]
    pairs: list[tuple[list[Row], list[Row]]]
    missed: list[list[Row]]
    false: list[list[Row]]
    names: Mapping[str, str]
    truth_of: Mapping[int, Row]

    @property
    def alone(self) -> list[tuple[Row, Row]]:
        """(stroke, row) of the events that are one stroke and were given one row."""
        return [(t[0], h[0]) for t, h in self.pairs if len(t) == len(h) == 1]


def heard_by(truth: Row, mics: Sequence[str]) -> dict[str, Any]:
    """The truth as it is for a session that holds only these mics: first arrivals and homes are theirs."""
    hits = []
    for hit in truth["hits"]:
        kept = {key: {m: hit[key][m] for m in mics} for key in ("onset", "bleed_db", "own_db")}
        sharp = [m for m in hit["sharp"] if m in mics]
        hits.append({**hit, **kept, "sharp": sharp, "first": min(kept["onset"].values())})
    homes = {}
    for drum, home in truth["homes"].items():
        level = {m: sum(h["own_db"][m] for h in hits if h["drum"] == drum) for m in mics}
        homes[drum] = home if home in mics else max(level, key=level.__getitem__)
    return {**truth, "mics": list(mics), "homes": homes, "hits": sorted(hits, key=lambda h: h["first"])}


def match(manifest: Row, truth: Row, take: str) -> Matched:
    """Pair the events of one take of a kit with the true ones, and its rows with strokes."""
    rate = truth["sr"]
    rows = [h for h in manifest["hits"] if h["take"] == take]
    true, found = events(truth["hits"], "first", rate), events(rows, "onset", rate)
    matched = one_to_one([e[0]["first"] / rate for e in true], [e[0]["onset"] / rate for e in found], WINDOW_S)
    pairs = [(true[i], found[j]) for i, j in matched]
    names = drum_names(pairs)
    owner: dict[int, Row] = {}
    for strokes, said in pairs:
        if len(strokes) == len(said) == 1:
            owner[said[0]["id"]] = strokes[0]
            continue
        left = list(strokes)
        for row in said:
            mine = next((t for t in left if t["drum"] == names.get(str(row["drum"]))), None)
            if mine is not None:
                left.remove(mine)
                owner[row["id"]] = mine
    return Matched(truth, take, rows, pairs, [e for i, e in enumerate(true) if i not in {i for i, _ in matched}],
                   [e for j, e in enumerate(found) if j not in {j for _, j in matched}], names, owner)


def figures(manifest: Row, truth: Row, take: str) -> Figures:
    """All figures of one take of a kit; None where nothing could be measured."""
    got = match(manifest, truth, take)
    rows = len(got.rows) + sum(len(h["with"]) for h in got.rows)
    true_events, found_events = len(got.pairs) + len(got.missed), len(got.pairs) + len(got.false)
    out: Figures = {
        "hits": len(truth["hits"]),
        "detect_f1": f1(len(got.pairs), true_events, found_events),
        "strokes_f1": f1(strokes_found(got.pairs, got.names), len(truth["hits"]), rows),
    }
    known = [(got.truth_of[h["id"]], h) for h in got.rows if h["id"] in got.truth_of]
    spread = jitter_ms(manifest, got.truth_of, truth["homes"], truth["sr"])
    return {**out, **_places(known, truth), "jitter_worst": max(spread, default=None),
            "jitter_med": _percentile(spread, 50), **_sorting(got, known), **_purity(manifest, got, known)}


def _percentile(values: Sequence[float], q: float) -> float | None:
    return float(np.percentile(values, q)) if len(values) else None


def _places(known: Sequence[tuple[Row, Row]], truth: Row) -> Figures:
    """Errors of onsets (ms) and delays (frames), and how many of the onsets that could be given were."""
    mics, homes, ms = truth["mics"], truth["homes"], 1e3 / truth["sr"]
    onsets: list[float] = []
    at_home: list[float] = []
    delays: list[float] = []
    wanted = given = 0
    for t, h in known:
        said = {m: at for m, at in h["onsets"].items() if at is not None and m in mics}
        off = {m: said[m] - t["onset"][m] for m in said}
        free = [m for m in mics if t["bleed_db"][m] < CLEAN_DB]
        due = [m for m in free if m in t["sharp"] or m == homes[t["drum"]]]
        wanted += len(due)
        given += sum(m in said for m in due)
        clear = [m for m in free if m in t["sharp"] and m in said]
        onsets += [abs(off[m]) * ms for m in clear]
        if homes[t["drum"]] in free and homes[t["drum"]] in said:
            at_home.append(abs(off[homes[t["drum"]]]) * ms)
        if len(clear) > 1:
            loudest = max(clear, key=lambda m: t["own_db"][m])
            delays += [abs(off[m] - off[loudest]) for m in clear if m != loudest]
    return {"onsets_given": given / wanted if wanted else None, "home_med": _percentile(at_home, 50),
            "home_p95": _percentile(at_home, 95), "onset_med": _percentile(onsets, 50),
            "onset_p95": _percentile(onsets, 95), "delay_med": _percentile(delays, 50)}


def audible(got: Matched) -> list[tuple[Row, Row]]:
    """(stroke, row) of the lone events by which drums are judged."""
    homes = got.truth["homes"]
    return [(t, h) for t, h in got.alone if t["own_db"][homes[t["drum"]]] > AUDIBLE_DB]


def _sorting(got: Matched, known: Sequence[tuple[Row, Row]]) -> Figures:
    """Which drum (adjusted Rand), which articulation (V-measure), how hard (Spearman)."""
    labels = [(t["drum"], str(h["drum"])) for t, h in audible(got)]
    ways, strengths = [], []
    for drum in sorted({t["drum"] for t, _ in known}):
        mine = [(t["articulation"], f"{h['drum']}/{h['articulation']}") for t, h in known if t["drum"] == drum]
        if sum(n >= FEWEST_OF_EACH for n in Counter(a for a, _ in mine).values()) > 1:
            ways.append(float(v_measure_score(*zip(*mine, strict=True))))
        level = [(t["energy_db"], h["level_db"]) for t, h in got.alone
                 if t["drum"] == drum and h["level_db"] is not None]
        if len(level) >= FEWEST_STRENGTHS:
            strengths.append(float(spearmanr(*zip(*level, strict=True)).statistic))
    return {"judged": len(labels),
            "drum_ari": float(adjusted_rand_score(*zip(*labels, strict=True))) if labels else None,
            "articulation_v": float(np.mean(ways)) if ways else None, "velocity_rho": _percentile(strengths, 50)}


def _purity(manifest: Row, got: Matched, known: Sequence[tuple[Row, Row]]) -> Figures:
    """What else is in the hits: bleed told against bleed there, and whether what was kept or marked is clean."""
    homes, mics = got.truth["homes"], got.truth["mics"]
    errors = [20.0 if h["bleed_db"].get(m) is None else abs(h["bleed_db"][m] - t["bleed_db"][m])
              for t, h in known for m in mics if -45 < t["bleed_db"][m] < 0]
    made = {s["hit"] for s in manifest["one_shots"]}

    def clean(t: Row) -> bool:
        return bool(t["bleed_db"][homes[t["drum"]]] < CLEAN_DB)

    kept = [h["id"] in got.truth_of and clean(got.truth_of[h["id"]]) for h in got.rows
            if h["id"] in made and not h["fallback"]]
    told = [(clean(t), homes[t["drum"]] in h["usable"]) for t, h in known]
    right = [true for true, said in told if said]
    found = [said for true, said in told if true]
    honest = [t["bleed_db"][m] <= HONEST_DB[f["grade"]] for shot in manifest["one_shots"]
              for t in [got.truth_of.get(shot["hit"])] if t is not None
              for f in shot["files"] if f["grade"] in HONEST_DB for m in f["mics"] if m in mics]
    return {"bleed_err": _percentile(errors, 50), "honest": float(np.mean(honest)) if honest else None,
            "graded": len(honest), "clean_precision": float(np.mean(kept)) if kept else None,
            "usable_precision": float(np.mean(right)) if right else None,
            "usable_recall": float(np.mean(found)) if found else None}


# ---------------------------------------------------------------------------------------------------- what went wrong


def cases(manifest: Row, truth: Row, take: str, most: int = 12) -> list[str]:
    """Lines that tell which strokes were missed, which rows are false and which drums mistaken, at most ``most`` each.

    Strengths are dB under the loudest stroke of the same drum; gaps are from the stroke before and to the one after.
    """
    got, rate = match(manifest, truth, take), truth["sr"]
    top = {d: max(h["energy_db"] for h in truth["hits"] if h["drum"] == d) for d in truth["homes"]
           if any(h["drum"] == d for h in truth["hits"])}

    def stroke(t: Row) -> str:
        home = truth["homes"][t["drum"]]
        return (f"{t['drum']}/{t['articulation']} {t['energy_db'] - top[t['drum']]:.0f} dB, "
                f"home bleed {t['bleed_db'][home]:+.0f}")

    def around(at: float, rows: Sequence[Row], key: str) -> str:
        near = sorted(rows, key=lambda r: abs(r[key] - at))[:2]
        return "; ".join(f"{(r[key] - at) / rate * 1e3:+.0f} ms {r['drum']}/{r['articulation']}" for r in near)

    lines = [_summary("missed", [t for e in got.missed for t in e], truth["hits"])]
    for event in got.missed[:most]:
        at = event[0]["first"]
        lines.append(f"  missed {at / rate:7.3f} s  {' + '.join(map(stroke, event))} | {_gaps(event[0], event[-1])} | "
                     f"rows near: {around(at, got.rows, 'onset')}")
    lines.append(f"false: {sum(map(len, got.false))}")
    for event in got.false[:most]:
        at = event[0]["onset"]
        lines.append(f"  false  {at / rate:7.3f} s  {' + '.join(map(_said, event))} | "
                     f"strokes near: {around(at, truth['hits'], 'first')}")
    return [*lines, *_partners(got), *_mistaken(got, stroke, most), *_misplaced(got)]


def _said(h: Row) -> str:
    level = "? dB" if h["level_db"] is None else f"{h['level_db']:.0f} dB"
    return f"{h['drum']}/{h['articulation']} {level} conf {h['confidence']:.2f}"


def _gaps(first: Row, last: Row) -> str:
    return f"gap {first['gap_before'] * 1e3:.0f} before, {last['gap_after'] * 1e3:.0f} after"


def _summary(word: str, some: Sequence[Row], of: Sequence[Row]) -> str:
    """``missed: 5 (hat/foot 4 of 12, snare/centre 1 of 40)``."""
    total, part = (Counter(f"{t['drum']}/{t['articulation']}" for t in rows) for rows in (of, some))
    which = ", ".join(f"{name} {k} of {total[name]}" for name, k in part.most_common())
    return f"{word}: {len(some)}" + (f" ({which})" if which else "")


def _mistaken(got: Matched, stroke: Callable[[Row], str], most: int) -> list[str]:
    """Lone strokes of drums that the kit splits, or mistakes for another: which, how many, the least sure of them."""
    said_of: dict[str, set[str]] = defaultdict(set)
    groups: dict[tuple[str, str, str], list[tuple[Row, Row]]] = defaultdict(list)
    for t, h in audible(got):
        said_of[t["drum"]].add(str(h["drum"]))
        groups[t["drum"], t["articulation"], str(h["drum"])].append((t, h))
    lines = []
    for (drum, way, said), some in sorted(groups.items()):
        if len(said_of[drum]) == 1 and got.names.get(said) == drum:
            continue
        t, h = min(some, key=lambda p: p[1]["confidence"])
        lines.append(f"  {len(some):3d} x {drum}/{way} said {said} (which is {got.names.get(said)}); e.g. "
                     f"{t['first'] / got.truth['sr']:.3f} s {stroke(t)}, {_gaps(t, t)}, said {_said(h)}")
    return ["drums split or mistaken:", *lines[: 2 * most]] if lines else ["drums: all told apart"]


def _partners(got: Matched) -> list[str]:
    """In events that were found: drums that were said and not struck, and drums struck and not said."""
    extra: Counter[str] = Counter()
    silent: Counter[str] = Counter()
    for strokes, said in got.pairs:
        true = Counter(t["drum"] for t in strokes)
        names = Counter(got.names.get(str(d), str(d)) for d in
                        [h["drum"] for h in said] + [w["drum"] for h in said for w in h["with"]])
        among = "+".join(sorted(true)) if len(strokes) > 1 else strokes[0]["drum"]
        extra.update(f"{d} at {among}" for d in (names - true).elements())
        silent.update(f"{d} of {among}" for d in (true - names).elements())
    return [f"{word}: {sum(n.values())} ({', '.join(f'{k} {what}' for what, k in n.most_common(8))})"
            for word, n in (("said, not struck", extra), ("struck, not said", silent)) if n]


def _misplaced(got: Matched, limit_ms: float = 2.0) -> list[str]:
    """Onsets wrong by more than ``limit_ms`` where the stroke is clear: drum, mic, how many, the median error in ms."""
    wrong: dict[tuple[str, str, str], list[float]] = defaultdict(list)
    home = got.truth["homes"]
    for row in got.rows:
        t = got.truth_of.get(row["id"])
        for mic, at in row["onsets"].items() if t is not None else ():
            if t is None or at is None or mic not in got.truth["mics"] or t["bleed_db"][mic] >= CLEAN_DB:
                continue
            off = (at - t["onset"][mic]) / got.truth["sr"] * 1e3
            if (mic in t["sharp"] or mic == home[t["drum"]]) and abs(off) > limit_ms:
                wrong[t["drum"], t["articulation"], mic].append(off)
    if not wrong:
        return []
    most = sorted(wrong.items(), key=lambda p: -len(p[1]))
    told = ", ".join(f"{len(v)} {d}/{a} in {m}{' (home)' if m == home[d] else ''} {np.median(v):+.1f}"
                     for (d, a, m), v in most[:10])
    return [f"placed wrong by over {limit_ms:g} ms: {sum(map(len, wrong.values()))} ({told})"]
