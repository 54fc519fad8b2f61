"""Unknown: beside every null of bleed and delays stands why, and nothing is made up where nothing is known."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from stage_inputs import noise, strike

from oneshot import pipeline
from oneshot.audio.io import write_wav
from oneshot.core.errors import WorkError
from oneshot.core.records.kit import BandBleed, Kit
from oneshot.core.records.session import Floats
from oneshot.kit.export.manifest import to_json
from oneshot.kit.null_reasons import NO_ARRIVAL, NOT_HEARD, SILENT, bleed_reason, delay_reason, hit_reason, solved
from oneshot.kit.read import read_kit
from oneshot.kit.report.matrices import bleed_section, delays_section

RATE, HITS, GAP_S = 48000, 6, 1.5


@pytest.fixture
def kit(own_example: Kit) -> Kit:
    """A kit whose kick is unknown in most mics: "OH R" is silent, "Hat" compresses, "OH L" does not hear it."""
    nothing = {"Kick In": 0.0, "Hat": None, "OH L": None, "OH R": None}
    hits = tuple(replace(hit, bleed_db=dict.fromkeys(nothing)) for hit in own_example.hits)
    return replace(own_example, hits=hits, bleed={"take 1": {"kick": nothing, "hat": {"Kick In": None, "Hat": 0.0}}},
                   delays_ms={"take 1": {"kick": nothing}}, delays={}, dynamics={"take 1": {"Hat": "compressor"}})


def test_every_null_has_its_reason(kit: Kit) -> None:
    """A silent mic, one that compresses, a home mic that does, one that hears nothing; none beside a number."""
    assert SILENT == bleed_reason(kit, "take 1", "kick", "OH R")
    assert "compressed" == bleed_reason(kit, "take 1", "kick", "Hat")
    assert "its home mic Hat is compressed" == bleed_reason(kit, "take 1", "hat", "Kick In")
    assert NOT_HEARD == bleed_reason(kit, "take 1", "kick", "OH L")
    assert bleed_reason(kit, "take 1", "kick", "Kick In") is None
    assert bleed_reason(kit, "take 1", "kick", "Room") is None
    assert (SILENT, NO_ARRIVAL) == tuple(delay_reason(kit, "take 1", "kick", mic) for mic in ("OH R", "OH L"))
    assert (SILENT, NOT_HEARD) == tuple(hit_reason(kit, kit.hits[0], mic) for mic in ("OH R", "OH L"))


def test_reasons_stand_in_the_manifest_and_on_the_page(kit: Kit, tmp_path: Path) -> None:
    """As many as there are nulls, and a kit read back knows the same."""
    document = to_json(kit)
    nulls = {take: {drum: {mic for mic, value in mics.items() if value is None} for drum, mics in drums.items()}
             for take, drums in document["bleed"].items()}
    page = str(bleed_section(kit)) + str(delays_section(replace(kit, delays={"take 1": {"kick": {}}})))
    (tmp_path / "kit" / "manifest.json").write_text(json.dumps(document), encoding="utf-8")

    assert nulls == {take: {drum: set(mics) for drum, mics in drums.items()}
                     for take, drums in document["unknown"]["bleed"].items()}
    assert all(set(hit["unknown"]) == {mic for mic, value in hit["bleed_db"].items() if value is None}
               for hit in document["hits"])
    assert page.count(SILENT) >= 1
    assert kit.dynamics == read_kit(tmp_path / "kit").dynamics


def test_a_level_that_no_lone_stroke_told_says_so(kit: Kit) -> None:
    """Of a drum that stands alone in one mic and never in another, the second is named; its home mic never is."""
    bands = BandBleed((None,) * 10, None, 0)
    known = replace(kit, bleed={"take 1": {"kick": {"Kick In": 0.0, "OH L": -3.0, "Hat": -20.0}}},
                    bleed_bands={"take 1": {"kick": {"Kick In": replace(bands, hits=9), "OH L": bands,
                                                     "Hat": replace(bands, hits=4)}}})

    assert ["OH L"] == solved(known, "take 1", "kick")
    assert "kick is never isolated in OH L" in str(bleed_section(known))


def session(folder: Path, **mics: Floats) -> Path:
    """A session of one take."""
    for name, x in mics.items():
        write_wav(folder / f"{name.replace('_', ' ')}.wav", x[None], RATE, "PCM_24")
    return folder


def played(level_db: float = 0.0, seed: int = 1) -> Floats:
    """Six strokes of one drum, 1.5 s apart, over noise at -90 dBFS."""
    x = noise(round((HITS + 1) * GAP_S * RATE), -90.0, seed)
    for k in range(HITS):
        at, stroke = round((0.5 + k * GAP_S) * RATE), 0.3 * strike(4)
        x[at : at + len(stroke)] += stroke * 10 ** (level_db / 20)
    return x


def test_a_single_mic_gets_no_invented_number(tmp_path: Path) -> None:
    """One mic: a drum reads 0 dB in its home mic and nothing is told of any other."""
    (tmp_path / "one").mkdir()
    made = pipeline.build(session(tmp_path / "one", Snare=played()), tmp_path / "kit", jobs=1).kit

    assert {"Snare": 0.0} == next(iter(next(iter(made.bleed.values())).values()))
    assert {"Snare"} == set(made.hits[0].bleed_db)
    assert [] == [hit for hit in made.hits if None in hit.bleed_db.values()]


def test_a_silent_mic_among_others_is_null_with_a_reason(tmp_path: Path) -> None:
    """Its bleed is null in every hit, with the reason beside it."""
    (tmp_path / "two").mkdir()
    made = pipeline.build(session(tmp_path / "two", Snare=played(), OH=played(-12.0, 2), Room=np.zeros(len(played()))),
                          tmp_path / "kit", jobs=1).kit
    document = to_json(made)

    assert all(hit["bleed_db"]["Room"] is None and hit["unknown"]["Room"] == SILENT for hit in document["hits"])


def test_silence_is_said_to_be_silence(tmp_path: Path) -> None:
    """A session of nothing but zeros gives no kit, and says why."""
    (tmp_path / "none").mkdir()
    with pytest.raises(WorkError, match="silent"):
        pipeline.build(session(tmp_path / "none", Snare=np.zeros(RATE)), tmp_path / "kit", jobs=1)
