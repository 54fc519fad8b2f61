"""The evaluation: its figures on strokes and rows written by hand, its table, and one tiny session from end to end."""

from __future__ import annotations

from collections.abc import Mapping
from copy import deepcopy
from pathlib import Path
from typing import Any

import evaluation
import figures
import numpy as np
import pytest
from baselines import best_clusters
from evaluation_table import COLUMNS, aligned, markdown

from oneshot.synth import KitPlan, RoomPlan, Stroke, TakePlan
from oneshot.synth.kits import EIGHT, KICK, SNARE

SR = 1000
MICS = ("Kick", "Snare")


def stroke(number: int, drum: str, at: int, level_db: float) -> dict[str, Any]:
    """A stroke heard alone in both mics, 3 ms later in the other one's."""
    onset = {m: at if m.lower() == drum else at + 3 for m in MICS}
    return {"id": number, "drum": drum, "articulation": "hit", "onset": onset, "first": at, "attack": float(at),
            "sharp": list(MICS), "energy_db": level_db, "own_db": dict.fromkeys(MICS, level_db),
            "bleed_db": dict.fromkeys(MICS, -40.0), "gap_before": 0.5, "gap_after": 0.5}


def row(number: int, t: Mapping[str, Any]) -> dict[str, Any]:
    """The row of a kit that says of a stroke what is true."""
    return {"id": number, "take": "take", "onset": t["first"], "onsets": dict(t["onset"]), "drum": f"{t['drum']}-1",
            "with": [], "articulation": "hit", "level_db": t["energy_db"], "bleed_db": dict(t["bleed_db"]),
            "usable": list(MICS), "fallback": False, "confidence": 1.0}


@pytest.fixture
def answer() -> tuple[dict[str, Any], dict[str, Any]]:
    """A manifest and the truth it says in full: ten kicks and ten snares, half a second apart."""
    hits = [stroke(k, "kick" if k % 2 else "snare", 500 * (k + 1), -float(k)) for k in range(20)]
    truth = {"sr": SR, "mics": list(MICS), "homes": {"kick": "Kick", "snare": "Snare"}, "hits": hits}
    return {"hits": [row(100 + t["id"], t) for t in hits], "one_shots": []}, truth


def test_sorting_is_measured_as_published(answer: tuple[dict[str, Any], dict[str, Any]]) -> None:
    """One of two groups cut in halves: V-measure 0.8 and adjusted Rand index 0.57, as the examples in scikit-learn's
    documentation of ``v_measure_score`` and ``adjusted_rand_score`` have it for [0, 0, 1, 1] against [0, 0, 1, 2].
    """
    manifest, truth = answer
    for k, (t, h) in enumerate(zip(truth["hits"], manifest["hits"], strict=True)):
        t["drum"], h["drum"] = "snare", "snare-1"
        t["articulation"], h["articulation"] = ("rim", "a") if k < 10 else ("centre", "b" if k < 15 else "c")
    assert 0.8 == pytest.approx(figures.figures(manifest, truth, "take")["articulation_v"])

    for k, (t, h) in enumerate(zip(truth["hits"][:4], manifest["hits"][:4], strict=True)):
        t["drum"], h["drum"] = ("kick", "a") if k < 2 else ("snare", "b" if k == 2 else "c")
    few = {**truth, "hits": truth["hits"][:4]}
    assert 0.57 == pytest.approx(figures.figures({**manifest, "hits": manifest["hits"][:4]}, few, "take")["drum_ari"],
                                 abs=0.005)


def test_a_true_answer_is_told_as_such(answer: tuple[dict[str, Any], dict[str, Any]]) -> None:
    """A kit that says what is true has every share at 1, every error at 0, and nothing in its list of cases."""
    manifest, truth = answer
    got = figures.figures(manifest, truth, "take")

    for key in ("detect_f1", "strokes_f1", "drum_ari", "velocity_rho", "onsets_given", "usable_precision",
                "usable_recall"):
        assert 1.0 == pytest.approx(got[key]), key
    for key in ("home_med", "home_p95", "onset_med", "onset_p95", "delay_med", "bleed_err"):
        assert 0.0 == got[key], key
    assert got["jitter_worst"] is None
    assert ["missed: 0", "false: 0", "drums: all told apart"] == figures.cases(manifest, truth, "take")


def test_each_fault_moves_its_own_figure(answer: tuple[dict[str, Any], dict[str, Any]]) -> None:
    """A stroke left out, one made up, an onset not given, one 4 ms late, another drum, a mic not marked as usable."""
    manifest, truth = answer

    def changed(**faults: Any) -> figures.Figures:
        said = deepcopy(manifest)
        if "left_out" in faults:
            del said["hits"][3]
        if "made_up" in faults:
            said["hits"].append({**said["hits"][3], "id": 999, "onset": 2250})
        said["hits"][5].update(faults.get("row", {}))
        return figures.figures(said, truth, "take")

    assert 2 * 19 / 39 == pytest.approx(changed(left_out=True)["detect_f1"])
    assert 2 * 20 / 41 == pytest.approx(changed(made_up=True)["strokes_f1"])
    assert 39 / 40 == pytest.approx(changed(row={"onsets": {"Kick": 3000, "Snare": None}})["onsets_given"])
    assert 1.0 > (changed(row={"drum": "snare-1"})["drum_ari"] or 1.0)
    late = changed(row={"onsets": {"Kick": 3004, "Snare": 3003}})  # one of twenty: 0.05 of the way from 0 to 4 ms
    assert 0.2 == pytest.approx(late["home_p95"])
    assert 0.0 == late["home_med"]
    assert 19 / 20 == pytest.approx(changed(row={"usable": []})["usable_recall"])


def test_cases_tell_what_went_wrong(answer: tuple[dict[str, Any], dict[str, Any]]) -> None:
    """A missed stroke, a false row, a drum too many in a row, a mistaken drum and a late onset each get a line."""
    manifest, truth = answer
    rows = manifest["hits"]
    rows[7]["drum"] = "snare-1"
    rows[9]["onsets"]["Snare"] += 6
    rows[11]["with"] = [{"drum": "snare-1", "level_db": -30.0}]
    rows.append({**rows[3], "id": 999, "onset": 2250})
    del rows[2]
    told = "\n".join(figures.cases(manifest, truth, "take"))

    assert "missed: 1 (snare/hit 1 of 10)" in told
    assert "false: 1" in told
    assert "said, not struck: 2 (2 snare at kick)" in told
    assert "struck, not said: 1 (1 kick of kick)" in told
    assert "1 x kick/hit said snare-1 (which is snare)" in told
    assert "placed wrong by over 2 ms: 1 (1 kick/hit in Snare +6.0)" in told


def test_fewer_mics_hear_less() -> None:
    """In a session without a drum's own mic its home is where it is loudest, and it arrives when it arrives there."""
    hit = stroke(0, "kick", 100, -10.0)
    truth = {"sr": SR, "mics": list(MICS), "homes": {"kick": "Kick", "snare": "Snare"}, "hits": [hit]}
    got = figures.heard_by(truth, ["Snare"])

    assert "Snare" == got["homes"]["kick"]
    assert 103 == got["hits"][0]["first"]
    assert ["Snare"] == got["hits"][0]["sharp"]


def test_table() -> None:
    """Both forms hold a line per take and the mean and the worst of every column, high or low as the figure demands."""
    rows = [evaluation.Row(name, {c.key: value for c in COLUMNS}, "sum, hop 128", ())
            for name, value in (("a / one", 0.25), ("b / two", 0.75))]
    rows.append(evaluation.Row("c / three", {}, "", ()))
    text, page = aligned(rows), markdown(rows)
    mean, worst = (line.split() for line in text.splitlines() if line.startswith(("mean", "worst")))

    assert "0.500" == mean[2]  # of detect F1, over the two takes that have one
    assert "0.250" == worst[1]  # hits have no worst
    assert "0.75" == worst[4]  # a larger error is a worse one
    assert {len(line.split("|")) for line in page.splitlines()[:7]} == {len(COLUMNS) - 3 + 3}
    assert "| c / three | - |" in page
    assert 2 == page.count("| worst |")


def test_clusters_are_given_the_number() -> None:
    """Two clouds far apart are told apart by either; a single drum has no figure."""
    rng = np.random.default_rng(1)
    x = np.concatenate([rng.normal(0, 1, (20, 3)), rng.normal(30, 1, (20, 3))])

    assert {"kmeans_ari": 1.0, "mixture_ari": 1.0} == best_clusters({"sum": x}, ["kick"] * 20 + ["snare"] * 20)
    assert {"kmeans_ari": None, "mixture_ari": None} == best_clusters({"sum": x}, ["kick"] * 40)


@pytest.mark.full
def test_a_tiny_session_from_end_to_end(tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
                                        capsys: pytest.CaptureFixture[str]) -> None:
    """A session is rendered, built and scored; what was rendered is used again, unless the plan is another."""
    strokes = tuple(Stroke(0.5 * k, "kick" if k % 2 else "snare", "hit" if k % 2 else "centre", -3.0 * (k % 3))
                    for k in range(10))
    plan = KitPlan("tiny", RoomPlan(), (KICK, SNARE), EIGHT[:3], 44100)
    plans = {"tiny": (plan, (TakePlan("take", strokes, tail_s=1.0),))}
    monkeypatch.setattr(evaluation, "family", lambda: plans)
    table = tmp_path / "table.md"
    evaluation.main(["tiny", "--folder", str(tmp_path / "kept"), "--jobs", "1", "--cases", "--out", str(table)])
    made = (tmp_path / "kept/tiny/session/take/Kick In.wav").stat().st_mtime_ns
    known = evaluation.rendered("tiny", tmp_path / "kept/tiny", evaluation.fingerprint("tiny"))

    assert "tiny / take" in capsys.readouterr().out
    assert 10 == len(known["take"]["hits"])
    assert table.read_text(encoding="utf-8").startswith("| take | hits | detect F1 |")
    assert made == (tmp_path / "kept/tiny/session/take/Kick In.wav").stat().st_mtime_ns
    before = evaluation.fingerprint("tiny")
    plans["tiny"] = (plan, (TakePlan("take", strokes[:5]),))
    assert before != evaluation.fingerprint("tiny")


def test_an_unknown_session_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    """A name that is none of the sessions ends in one line that lists them."""
    with pytest.raises(SystemExit):
        evaluation.main(["nowhere"])
    assert "no session is called 'nowhere'" in capsys.readouterr().err
