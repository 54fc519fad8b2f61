"""A kit held against a session of which every stroke is known: figures for the tests, by one-to-one matching.

Found and true events are paired so that as many as possible lie within the window, and of those pairings the closest is
taken; so one true stroke can never justify two found ones. Strokes, or rows, closer together than 15 ms are one event.
"""

from __future__ import annotations

import json
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from scipy.optimize import linear_sum_assignment
from sklearn.metrics import adjusted_rand_score

WINDOW_S = 0.010
TOGETHER_S = 0.015
CLEAN_DB = -20.0

Row = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Score:
    """Figures of one take. A figure that nothing could be measured for is None, so that no comparison passes on it."""

    detect_f1: float
    strokes_f1: float
    drum_ari: float | None
    home_ms_med: float | None
    home_ms_p95: float | None
    jitter_ms_worst: float | None
    exact: float | None
    files: int
    groups: int


def one_to_one(true: Sequence[float], found: Sequence[float], window: float) -> list[tuple[int, int]]:
    """Pairs (true, found) of positions at most ``window`` apart: as many as can be, and of those the closest."""
    if not len(true) or not len(found):
        return []
    apart = np.abs(np.subtract.outer(np.asarray(true, float), np.asarray(found, float)))
    near = apart <= window
    # a pair outside the window costs more than all pairs inside together, so it is never preferred to one
    cost = np.where(near, apart, (window + 1e-12) * (min(apart.shape) + 1))
    rows, columns = linear_sum_assignment(cost)
    return [(int(i), int(j)) for i, j in zip(rows, columns, strict=True) if near[i, j]]


def f1(pairs: int, true: int, found: int) -> float:
    """Harmonic mean of precision and recall; 0 where nothing was matched."""
    return 2 * pairs / (true + found) if pairs else 0.0


def events(rows: Sequence[Row], key: str, sample_rate: int) -> list[list[Row]]:
    """Rows that begin within 15 ms of the first of their event, in order of ``key`` (frames)."""
    found: list[list[Row]] = []
    for row in sorted(rows, key=lambda r: r[key]):
        if found and (row[key] - found[-1][0][key]) / sample_rate < TOGETHER_S:
            found[-1].append(row)
        else:
            found.append([row])
    return found


def drum_names(pairs: Sequence[tuple[list[Row], list[Row]]]) -> dict[str, str]:
    """The kit's drums -> the truth's, by the votes of hits that were struck alone.

    A drum of the kit that never was alone takes, of the names that are left, the one most often struck with it.
    """
    alone: dict[str, Counter[str]] = defaultdict(Counter)
    among: dict[str, Counter[str]] = defaultdict(Counter)
    for true, found in pairs:
        for row in found:
            votes = alone if len(true) == len(found) == 1 else among
            votes[str(row["drum"])].update(sorted({t["drum"] for t in true}))  # in one order: ties are broken by it
    names = {drum: count.most_common(1)[0][0] for drum, count in alone.items()}
    for drum in sorted(among.keys() - names.keys()):
        left = [name for name, _ in among[drum].most_common() if name not in names.values()]
        names |= {drum: left[0]} if left else {}
    return names


def strokes_found(pairs: Sequence[tuple[list[Row], list[Row]]], names: Mapping[str, str]) -> int:
    """How many drums named in matched events, partners included, were struck in them; each stroke counts once."""
    right = 0
    for true, found in pairs:
        left = Counter(t["drum"] for t in true)
        said = [h["drum"] for h in found] + [w["drum"] for h in found for w in h["with"]]
        for drum in said:
            name = names.get(str(drum))
            if name is not None and left[name] > 0:
                left[name] -= 1
                right += 1
    return right


def jitter_ms(manifest: Row, truth_of: Mapping[int, Row], homes: Mapping[str, str], sample_rate: int) -> list[float]:
    """Spread (ms) of onset place against true attack in the home file, of every layer of several one-shots."""
    places: dict[tuple[str, str, int], list[float]] = defaultdict(list)
    for shot in manifest["one_shots"]:
        true = truth_of.get(shot["hit"])
        if true is None:
            continue
        for file in shot["files"]:
            if homes[true["drum"]] in file["mics"]:
                at = file["source_start"] + file["onset_frame"] - true["attack"]
                places[shot["drum"], shot["articulation"], shot["layer"]].append(at)
    return [float(np.std(p)) / sample_rate * 1e3 for p in places.values() if len(p) > 1]


def is_exact(kit: Path, session: Path, sources: Mapping[str, Sequence[Row]], file: Row) -> bool:
    """Whether a file equals its source between the fades, sample for sample, in every channel."""
    data, _ = soundfile.read(kit / file["path"], always_2d=True, dtype="float64")
    a, b = file["fade_in_frames"], len(data) - file["fade_out_frames"]
    if b <= a or data.shape[1] != len(file["mics"]) or len(data) != file["frames"]:
        return False
    for channel, mic in enumerate(file["mics"]):
        wanted = np.zeros(len(data))
        for source in sources[mic]:
            start = file["source_start"] - source["at"]
            lo, hi = max(0, start), min(source["frames"], start + len(data))
            if hi > lo:
                piece, _ = soundfile.read(session / source["path"], start=lo, stop=hi, always_2d=True, dtype="float64")
                wanted[lo - start : hi - start] = piece[:, source["channel"]]
        if not np.array_equal(data[a:b, channel], (-1 if file["inverted"] else 1) * wanted[a:b]):
            return False
    return True


def exact_share(kit: Path, session: Path, manifest: Row, take: str, every: int = 1) -> tuple[float | None, int]:
    """Share of this take's untouched files that are exact, and how many were read: each ``every``-th of them."""
    takes = {t["name"]: t for t in manifest["session"]["takes"]}
    sources = {m["name"]: m["source"] for m in takes[take]["mics"]}
    of_take = {h["id"] for h in manifest["hits"] if h["take"] == take}
    plain = [f for s in manifest["one_shots"] for f in s["files"]
             if f["hit"] in of_take and f["gain_db"] == 0 and not f["repaired"]][::every]
    right = [is_exact(kit, session, sources, f) for f in plain]
    return (float(np.mean(right)) if right else None), len(right)


def _rand(labels: Sequence[tuple[str, str]]) -> float | None:
    """Adjusted Rand index of (true, found) drums; None without any."""
    return float(adjusted_rand_score(*zip(*labels, strict=True))) if labels else None


def score(kit: Path, session: Path, truth: Row, take: str, *, every: int = 1) -> Score:
    """All figures of one take of a kit against its truth; ``every`` thins the files that are read again."""
    manifest = json.loads((kit / "manifest.json").read_text(encoding="utf-8"))
    sample_rate, homes = truth["sr"], truth["homes"]
    hits = [h for h in manifest["hits"] if h["take"] == take]
    true_events, found_events = events(truth["hits"], "first", sample_rate), events(hits, "onset", sample_rate)
    matched = one_to_one([e[0]["first"] / sample_rate for e in true_events],
                         [e[0]["onset"] / sample_rate for e in found_events], WINDOW_S)
    pairs = [(true_events[i], found_events[j]) for i, j in matched]
    alone = [(t[0], h[0]) for t, h in pairs if len(t) == 1 and len(h) == 1]
    rows = len(hits) + sum(len(h["with"]) for h in hits)
    late = [abs(h["onsets"][homes[t["drum"]]] - t["onset"][homes[t["drum"]]]) / sample_rate * 1e3 for t, h in alone
            if h["onsets"].get(homes[t["drum"]]) is not None and t["bleed_db"][homes[t["drum"]]] < CLEAN_DB]
    spread = jitter_ms(manifest, {h["id"]: t for t, h in alone}, homes, sample_rate)
    exact, files = exact_share(kit, session, manifest, take, every)
    return Score(
        detect_f1=f1(len(pairs), len(true_events), len(found_events)),
        strokes_f1=f1(strokes_found(pairs, drum_names(pairs)), len(truth["hits"]), rows),
        drum_ari=_rand([(t["drum"], str(h["drum"])) for t, h in alone]),
        home_ms_med=float(np.median(late)) if late else None,
        home_ms_p95=float(np.percentile(late, 95)) if late else None,
        jitter_ms_worst=max(spread) if spread else None,
        exact=exact, files=files, groups=len(spread),
    )
