"""Talk, clicks and sticks: what rises like a hit and is none."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from figures import Figures, figures
from numpy.typing import NDArray

from oneshot import pipeline
from oneshot.analysis.sorting import non_drums
from oneshot.analysis.sorting.non_drums import CLICK, STICKS, TALK, Hits, Traits
from oneshot.audio.io import TakeReader
from oneshot.config.corrections_file import Correction, Corrections, Place, dump
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Mic
from oneshot.session.open import open_session
from oneshot.synth import KitPlan, RoomPlan, TakePlan, slate, write_session
from oneshot.synth.kits import EIGHT, FLOOR, KICK, KICK_TRIGGER, OH_L, RACK, RACK_TOM, SNARE, SNARE_TRIGGER

MICS = (Mic("Kick", Role.CLOSE, "kick"), Mic("Snare", Role.CLOSE, "snare"), Mic("OH L", Role.OVERHEAD),
        Mic("OH R", Role.OVERHEAD))
SNARE_AT = np.arange(0.4, 20.0, 1.17) + np.random.default_rng(2).normal(0, 0.012, 17)


def traits(**of_second: float) -> Traits:
    """A snare, drum 0, and drum 1, which is what the arguments say."""
    snare = {"lead_db": 8.0, "air_db": -7.0, "lowest_db": -14.0, "swell_db": -3.0, "fall_db": 6.0}
    return Traits(np.array([0, 1]), *(np.array([snare[k], of_second[k]]) for k in snare))


def hits(at_s: NDArray[Any], level_db: float = -10.0, scatter_db: float = 0.2) -> Hits:
    """A snare every 1.17 s at 10 dB, and drum 1 at these times."""
    level = np.r_[np.full(len(SNARE_AT), 10.0),
                  level_db + np.random.default_rng(1).normal(0, scatter_db, len(at_s))]
    drum = np.r_[np.zeros(len(SNARE_AT), np.int64), np.ones(len(at_s), np.int64)]
    when = np.r_[SNARE_AT, at_s]
    order = np.argsort(when, kind="stable")
    return Hits(when[order], drum[order], level[order], np.full(len(order), 0.9))


TICK = {"lead_db": -4.0, "air_db": -21.0, "lowest_db": -28.0, "swell_db": -11.0, "fall_db": 14.5}
VOICE = {"lead_db": -5.0, "air_db": -40.0, "lowest_db": -13.0, "swell_db": 7.0, "fall_db": -3.0}


# ---------------------------------------------------------------------------------------------------------------- click


@pytest.mark.parametrize("bpm", [61.0, 104.0, 187.3])
def test_a_click_keeps_time(bpm: float) -> None:
    """Sounds of equal level on a beat, a third of them missing, are a machine's, at any tempo."""
    at = np.arange(30) * 60 / bpm + np.random.default_rng(3).uniform(-0.001, 0.001, 30)
    at = at[np.random.default_rng(4).permutation(30)[:20]]

    assert non_drums.keeps_time(np.sort(at).astype(np.float64), np.zeros(20))


@pytest.mark.parametrize("seed", range(8))
def test_no_player_keeps_time_like_a_click(seed: int) -> None:
    """A player who scatters 8 ms rms about the beat (skilled drummers against a metronome: 10 ms and more in
    Repp 2005, Psychonomic Bulletin and Review 12(6), from memory) is never taken for one, however even the level.
    """
    at = np.arange(40) * 0.52 + np.random.default_rng(seed).normal(0, 0.008, 40)

    assert not non_drums.keeps_time(np.sort(at).astype(np.float64), np.zeros(40))


def test_what_varies_in_level_is_no_click() -> None:
    """Strokes that lie on the grid to the frame, as from a sequencer, but 4 dB apart in strength are no click."""
    level = np.random.default_rng(5).normal(0, 4.0, 24)

    assert not non_drums.keeps_time(np.arange(24, dtype=np.float64) * 0.5, level.astype(np.float64))


def test_a_leaking_click_is_found_among_drums() -> None:
    """A faint, steady sound that no close mic leads is a click; the same as loud as the drums is left alone, and so is
    one that a close mic leads.
    """
    at = 0.11 + np.arange(25) * 0.6

    assert {1: CLICK} == non_drums.find(traits(**TICK), [hits(at)])
    assert {} == non_drums.find(traits(**TICK), [hits(at, level_db=5.0)])
    assert {} == non_drums.find(traits(**{**TICK, "lead_db": 6.0}), [hits(at)])


# ----------------------------------------------------------------------------------------------------------------- talk


def test_talk_swells() -> None:
    """What gains level after it began, without lows or air, away from the strokes, is talk; a ride's bell, which gains
    2 dB and sounds with the others, is not, nor is anything that close mics and overheads cannot place.
    """
    at = np.array([1.0, 1.3, 4.4, 4.65, 7.8, 8.1, 8.3])

    assert {1: TALK} == non_drums.find(traits(**VOICE), [hits(at)])
    assert {} == non_drums.find(traits(**{**VOICE, "swell_db": 2.0}), [hits(at)])
    assert {} == non_drums.find(traits(**VOICE), [hits(SNARE_AT + 0.12)])
    assert {} == non_drums.find(traits(**{**VOICE, "lead_db": float("nan")}), [hits(at)])


def test_inside_a_phrase_what_is_unsure_is_talk() -> None:
    """Between two syllables an unsure hit without a leading close mic is talk; a sure one, and one that a close mic
    leads, are strokes.
    """
    take = Hits(np.array([1.0, 1.2, 1.3, 1.4, 1.5, 9.0]), np.zeros(6, np.int64), np.zeros(6),
                np.array([0.9, 0.1, 0.9, 0.1, 0.9, 0.1]))
    talk = np.array([True, False, False, False, True, False])
    lead = np.array([-5.0, -5.0, -5.0, 9.0, -5.0, -5.0])

    assert [True, True, False, False, True, False] == non_drums.in_talk(take, talk, lead).tolist()


# --------------------------------------------------------------------------------------------------------------- sticks


def test_a_count_in_is_told_from_a_drum() -> None:
    """Four even sticks before the first stroke are sticks; a cowbell of the same sound within the playing is a drum,
    and so is one struck twelve times alone for a slate.
    """
    assert {1: STICKS} == non_drums.find(traits(**TICK), [hits(-2.0 + np.arange(4) * 0.55, level_db=4.0)])
    assert {} == non_drums.find(traits(**TICK), [hits(SNARE_AT[:5] + 0.1, level_db=4.0)])
    assert {} == non_drums.find(traits(**TICK), [hits(30 + np.cumsum(np.linspace(0.9, 1.6, 12)), level_db=4.0)])


# ------------------------------------------------------------------------------------------------------------- unsorted


@pytest.mark.parametrize(("count", "confidence", "lead_db", "left_out"), [
    (1, 0.11, -4.0, True), (3, 0.39, -4.0, True),
    (4, 0.11, -4.0, False),  # as many as an articulation needs
    (3, 0.45, -4.0, False),  # one of them is sure
    (1, 0.11, 8.0, False),  # in its own close mic
    (1, 0.11, float("nan"), False),  # nothing tells places apart
])
def test_a_drum_of_a_few_unsure_hits_is_none(count: int, confidence: float, lead_db: float, left_out: bool) -> None:
    """Fewer than four hits, none of which is surely the drum's own, are no drum; over all takes together."""
    drum = np.r_[0, 0, np.ones(count, np.int64)]
    sure = np.r_[0.9, 0.1, np.full(count - 1, 0.05), confidence]
    known = traits(**{**TICK, "lead_db": lead_db})
    whole = Hits(np.arange(count + 2.0), drum, np.zeros(count + 2), sure)
    parts = [Hits(whole.at_s[p], drum[p], whole.level_db[p], sure[p]) for p in (slice(3), slice(3, None))]

    assert left_out == (1 in non_drums.unsorted(known, [whole]))
    assert non_drums.unsorted(known, [whole]) == non_drums.unsorted(known, parts)
    assert 0 not in non_drums.unsorted(known, [whole])


def test_who_leads() -> None:
    """The best close mic against the best overhead, dB; not known where either is missing."""
    level = np.array([[-3.0, -9.0, -12.0, -10.0], [-30.0, -28.0, -6.0, -4.0]])

    assert [7.0, -24.0] == non_drums.lead_db(level, MICS).tolist()
    assert np.isnan(non_drums.lead_db(level[:, :2], MICS[:2])).all()


# ---------------------------------------------------------------------------------------------------------------- whole


ROWS = (("kick", "hit", -14.0, 0.0, 4, 0.9), ("snare", "centre", -20.0, 0.0, 5, 0.9),
        ("rack", "hit", -14.0, 0.0, 3, 1.4), ("floor", "hit", -14.0, 0.0, 3, 1.5))
SLATE = slate("slate", ROWS)
DISTURBED = replace(SLATE, talk=((3.0, 1.2), (8.4, 1.1), (19.0, 1.6)), talk_db=6.0, sticks_s=(17.0, 17.5))
PLAN = KitPlan("quay", RoomPlan(), (KICK, SNARE, RACK, FLOOR), EIGHT, 44100, "PCM_24")


def built(folder: Path, plan: KitPlan, take: TakePlan) -> Figures:
    """Figures of a kit built from one take; the kit lies in ``folder / kit``."""
    known = write_session(folder / "session", plan, (take,), seed=5)
    pipeline.build(folder / "session", folder / "kit")
    manifest = json.loads((folder / "kit" / "manifest.json").read_text(encoding="utf-8"))
    return figures(manifest, known[take.name], take.name)


@pytest.mark.full
def test_talk_and_sticks_between_strokes_are_no_hits(tmp_path: Path) -> None:
    """A slate between whose strokes someone talks and strikes sticks gives every stroke and nothing else, and tells."""
    found = built(tmp_path, PLAN, DISTURBED)

    assert 1.0 == found["detect_f1"]
    assert 1.0 == found["drum_ari"]
    assert "treated as talk" in (tmp_path / "kit" / "report.html").read_text(encoding="utf-8")


@pytest.mark.full
def test_what_the_user_says_is_a_hit_is_no_outsider(tmp_path: Path) -> None:
    """A sound that is taken for talk or sticks is a hit, and kept, once corrections.toml says that it is one."""
    built(tmp_path, PLAN, DISTURBED)
    places = tuple(Place("slate", round(at_s * 44100)) for at_s in (9.0, 17.5))
    entries = tuple(Correction("add", (place,), drum="snare") for place in places)
    (tmp_path / "kit" / "corrections.toml").write_text(dump(Corrections(entries)), encoding="utf-8")
    kit = pipeline.build(tmp_path / "session", tmp_path / "kit").kit

    assert [("snare", True)] * 2 == [(h.drum, h.kept) for h in kit.hits if h.added]
    assert [] == [p for p in kit.problems if p.where == "corrections.toml"]


@pytest.mark.full
def test_triggers_are_heard_and_never_exported(tmp_path: Path) -> None:
    """With triggers on kick and snare a slate is found as without them, and no file or figure of a kit is theirs."""
    found = built(tmp_path, replace(PLAN, mics=(*EIGHT, KICK_TRIGGER, SNARE_TRIGGER)), SLATE)
    manifest = json.loads((tmp_path / "kit" / "manifest.json").read_text(encoding="utf-8"))

    assert 1.0 == found["detect_f1"]
    assert 1.0 == found["drum_ari"]
    mics = {m for s in manifest["one_shots"] for f in s["files"] for m in f["mics"]}
    assert not any("Trigger" in m for m in mics | {m for h in manifest["hits"] for m in (*h["bleed_db"], *h["usable"])})
    assert not any("Trigger" in d["home"] for d in manifest["drums"])


@pytest.mark.full
def test_a_steady_offset_changes_no_hit(tmp_path: Path) -> None:
    """A session with offsets in two mics has the hits, onsets and levels (0.1 dB) that it has without, pitch (1 Hz)
    and ring (1 dB) of its one-shots as well, and tells.
    """
    mics = tuple(replace(m, offset=0.015) if m in (RACK_TOM, OH_L) else m for m in EIGHT)
    found = []
    for name, plan in (("plain", PLAN), ("offset", replace(PLAN, mics=mics))):
        built(tmp_path / name, plan, SLATE)
        found.append(json.loads((tmp_path / name / "kit" / "manifest.json").read_text(encoding="utf-8")))

    cut, cut_too = ({s["hit"]: s for s in document["one_shots"]} for document in found)
    plain, offset = (document["hits"] for document in found)
    for hit in sorted(cut.keys() & cut_too.keys()):
        assert cut[hit]["fundamental_hz"] == pytest.approx(cut_too[hit]["fundamental_hz"], abs=1.0)
        assert cut[hit]["ring_kept_db"] == pytest.approx(cut_too[hit]["ring_kept_db"], abs=1.0)
    assert cut.keys() & cut_too.keys()
    assert [(h["drum"], h["articulation"], h["onsets"]) for h in plain] == [
        (h["drum"], h["articulation"], h["onsets"]) for h in offset]
    assert [h["level_db"] for h in plain] == pytest.approx([h["level_db"] for h in offset], abs=0.1)
    assert "DC offset" in (tmp_path / "offset" / "kit" / "report.html").read_text(encoding="utf-8")


def test_an_offset_is_taken_out_of_what_was_recorded(tmp_path: Path) -> None:
    """A reader that knows a mic's offset gives its samples without it, and still zeros where nothing was recorded;
    integers are refused.
    """
    (tmp_path / "take").mkdir()
    for name in ("A", "B"):
        soundfile.write(tmp_path / "take" / f"{name}.wav", np.full(100, 0.25), 44100, "FLOAT")
    session = open_session(tmp_path)
    with TakeReader(tmp_path, session.takes[0], offset={"A": 0.25}) as reader:
        window = reader.read(-10, 100)

    assert not window[0].any()
    assert [0.0, 0.25] == [window[1, 0], window[1, -1]]
    with pytest.raises(ValueError, match="read them as float"):
        TakeReader(tmp_path, session.takes[0], dtype="int32", offset={"A": 0.25})


@pytest.mark.parametrize(("one", "other"), [(0, 0), (0, 5), (5, 0), (1, 1), (300, 700)])
def test_the_nearest_of_others_is_as_far_as_all_of_them_say(one: int, other: int) -> None:
    """To the bit what the table of every two gives, which would take 400 MB for ten thousand hits; in no order."""
    random = np.random.default_rng(one + other)
    at_s, others_s = random.random(one) * 60, random.random(other) * 60
    others_s[:1] = at_s[:1] if one else others_s[:1]
    table = np.abs(others_s[None, :] - at_s[:, None]).min(axis=1, initial=np.inf)

    assert np.array_equal(table, non_drums._nearest_s(at_s, others_s))
