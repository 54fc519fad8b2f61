"""What tools at hand reach on the same sessions: librosa's onset detector, and clustering of MFCCs.

Both are given an advantage: of many settings the one that scores best against the truth counts, and the clusterings are
given the true onsets and the right number of drums.
"""

from __future__ import annotations

import atexit
import os
import shutil
import tempfile
import warnings
from collections.abc import Sequence
from itertools import product
from typing import Any

import librosa
import numpy as np
import soxr
from numpy.typing import NDArray
from scoring import WINDOW_S, Row, events, f1, one_to_one
from sklearn.cluster import KMeans
from sklearn.metrics import adjusted_rand_score
from sklearn.mixture import GaussianMixture
from sklearn.preprocessing import StandardScaler

COMPILED = os.environ["NUMBA_CACHE_DIR"] = tempfile.mkdtemp()
"""Where librosa's functions are compiled to when they are first used, a folder for each process: two that write one
file at a time spoil it for every later one, which then calls a null pointer (seen with numba 0.68.1).
"""
atexit.register(shutil.rmtree, COMPILED, ignore_errors=True)

RATE = 44100
HOPS = (128, 512)
DELTAS = (0.02, 0.07, 0.2)
"""librosa's own default is 0.07 over a strength that is scaled to 0..1."""
HIT_S = 0.25
"""How much of a hit is described, less where the next one follows sooner."""

Signal = NDArray[np.float32]


def prepared(mics: Sequence[str], rows: Signal, sample_rate: int) -> dict[str, Signal]:
    """The sum of all mics and each mic alone, at 44.1 kHz; silent ones are left out."""
    signals = {"sum": np.asarray(rows.mean(axis=0), np.float32), **dict(zip(mics, rows, strict=True))}
    heard = {name: x for name, x in signals.items() if float(np.abs(x).max(initial=0.0)) > 1e-4}
    return {name: soxr.resample(x, sample_rate, RATE, quality="MQ").astype(np.float32) for name, x in heard.items()}


def best_onsets(signals: dict[str, Signal], truth: Row) -> dict[str, Any]:
    """The best F1 at 10 ms of librosa.onset.onset_detect and the settings that reach it.

    Tried: the sum and each mic; hops of 128 and 512 frames at 44.1 kHz; delta 0.02, 0.07 (its default) and 0.2; with
    backtracking and without.
    """
    true = [e[0]["first"] / truth["sr"] for e in events(truth["hits"], "first", truth["sr"])]
    best: dict[str, Any] = {"f1": 0.0, "setting": ""}
    for (name, x), hop in product(signals.items(), HOPS):
        strength = librosa.onset.onset_strength(y=x, sr=RATE, hop_length=hop, n_fft=1024)
        for delta, back in product(DELTAS, (False, True)):
            found = librosa.onset.onset_detect(onset_envelope=strength, sr=RATE, hop_length=hop, delta=delta,
                                               backtrack=back, units="time").tolist()
            got = f1(len(one_to_one(true, found, WINDOW_S)), len(true), len(found))
            if got > best["f1"]:
                best = {"f1": got, "setting": f"{name}, hop {hop}, delta {delta:g}{', backtrack' if back else ''}"}
    return best


def descriptions(signals: dict[str, Signal], truth: Row) -> dict[str, NDArray[np.float64]]:
    """Mean and deviation of 13 MFCCs over each true stroke: of the sum, and of all mics, (hits, features)."""
    hop, out = 256, {}
    tables = {}
    for name, x in signals.items():
        mfcc = librosa.feature.mfcc(y=x, sr=RATE, n_mfcc=13, hop_length=hop, n_fft=1024)
        rows = []
        for hit in truth["hits"]:
            a = int(hit["first"] / truth["sr"] * RATE / hop)
            b = max(a + 2, a + int(min(HIT_S, hit["gap_after"]) * RATE / hop))
            piece = mfcc[:, min(a, mfcc.shape[1] - 2) : b]
            rows.append(np.concatenate([piece.mean(axis=1), piece.std(axis=1)]))
        tables[name] = np.array(rows)
    out["sum"] = tables.pop("sum")
    out["mics"] = np.concatenate(list(tables.values()), axis=1) if tables else out["sum"]
    return out


def best_clusters(features: dict[str, NDArray[np.float64]], drums: Sequence[str]) -> dict[str, float | None]:
    """Adjusted Rand index of k-means and of Gaussian mixtures, each over the better of the descriptions.

    ``features`` are (hits, features) of the hits whose drums are given; the number of clusters is the number of drums.
    """
    k = len(set(drums))
    if k < 2 or len(drums) <= k:
        return {"kmeans_ari": None, "mixture_ari": None}
    scores: dict[str, list[float]] = {"kmeans_ari": [], "mixture_ari": []}
    for table in features.values():
        x = StandardScaler().fit_transform(table)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # too few distinct points, or no convergence: the score says it
            groups = KMeans(k, n_init=10, random_state=0).fit_predict(x)
            mixed = GaussianMixture(k, covariance_type="diag", n_init=3, reg_covar=1e-3, random_state=0).fit_predict(x)
        scores["kmeans_ari"].append(float(adjusted_rand_score(drums, groups)))
        scores["mixture_ari"].append(float(adjusted_rand_score(drums, mixed)))
    return {name: max(values) for name, values in scores.items()}
