"""The map a page opens with: the right one-shots at the right velocities, what is missing marked, no page too big."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from kits import RATE, small_kit

from oneshot.analysis.detection.spectrogram import BAND_EDGES_HZ
from oneshot.core.records.hits import Articulation, Drum, Hit
from oneshot.core.records.kit import BandBleed, Fader, Kit, OneShot
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Mic
from oneshot.kit.levels import mix_levels_dbfs
from oneshot.kit.playback.keymap import layers_of
from oneshot.kit.report import write_report
from oneshot.kit.report.data import POINTS, STEPS
from oneshot.kit.report.markup import join
from oneshot.kit.report.order import in_kit_order
from oneshot.kit.report.velocity_map import Row, level_span, map_data, map_markup, rows_of


@pytest.fixture
def kit(tmp_path: Path) -> Kit:
    """A small finished kit in ``tmp_path``: kick, snare, and a side stick whose second layer is missing."""
    return small_kit(tmp_path)


def row(kit: Kit, drum: str, how: str) -> Row:
    """One strip."""
    return next(each for each in rows_of(kit) if (each.drum.name, each.how.name) == (drum, how))


def test_drums_are_in_kit_order() -> None:
    """Kick, snare, hat, toms from high to low, cymbals, the rest."""
    keys = {"crash": ("crash", 49), "floor": ("tom", 43), "block": ("percussion", 60), "hat": ("hat", 42),
            "rack": ("tom", 48), "kick": ("kick", 36), "ride": ("ride", 51), "snare": ("snare", 38)}
    drums = [Drum(name, kind, name, (Articulation("hit", key),)) for name, (kind, key) in keys.items()]

    assert ["kick", "snare", "hat", "rack", "floor", "ride", "crash", "block"] == [
        drum.name for drum in in_kit_order(drums)]


def test_a_strip_is_what_the_mapping_plays(kit: Kit) -> None:
    """Layers, their velocities and the level wanted at each are those of the mappings."""
    kick, levels = row(kit, "kick", "hit"), mix_levels_dbfs(kit)
    played = layers_of([shot for shot in kit.one_shots if shot.drum == "kick"], levels)

    assert [(1, 42), (43, 84), (85, 127)] == [(cell.low, cell.high) for cell in kick.cells]
    assert [layer.wanted_db for layer in played] == [cell.wanted for cell in kick.cells]
    assert [[1, 2, 3]] * 3 == [[shot.round_robin for shot in cell.shots] for cell in kick.cells]
    assert [layer.alternates for layer in played] == [cell.shots for cell in kick.cells]


def test_what_is_missing_is_marked(kit: Kit) -> None:
    """Velocities nobody answers, a step of 16 dB, layers with too few round robins, strips without a one-shot."""
    side, words = row(kit, "snare", "side stick"), join(map_markup(kit, rows_of(kit)))

    assert ((43, 84),) == side.silent
    assert [(63.5, 16)] == [(at, round(step)) for at, step in side.steps]
    assert 1 == words.count('class="silent"')
    assert "step of 16\u202fdB" in words
    assert "2 wide steps, up to 8\u202fdB" in words
    assert 3 == words.count('class="steps"')

    few = replace(kit, one_shots=tuple(s for s in kit.one_shots if s.articulation == "side stick" or s.round_robin < 3))
    assert [1, 1, 1] == [cell.wants for cell in row(few, "kick", "hit").cells]
    assert "kick, hit, velocity 43 to 84: layer 2, 2 round robins, 1 more wanted" in join(map_markup(few, rows_of(few)))

    none = replace(kit, one_shots=tuple(s for s in kit.one_shots if s.drum != "kick"),
                   hits=tuple(replace(h, kept=h.kept and h.drum != "kick") for h in kit.hits))
    assert "no one-shot; 9 hits left out" in join(map_markup(none, rows_of(none)))


def test_spares_are_counted_where_they_belong(kit: Kit) -> None:
    """A clean hit for which its layer had no room is a ring under that layer, and said in words."""
    spare = replace(kit.hits[3], id=900, kept=False, layer=2, reason="spare: its layer has 3 round robins")
    dirty = replace(spare, id=901, reason="too much bleed: grade D")
    more = replace(kit, hits=(*kit.hits, spare, replace(spare, id=902), dirty))
    words = join(map_markup(more, rows_of(more)))

    assert [0, 2, 0] == [cell.spare for cell in row(more, "kick", "hit").cells]
    assert "layer 2, 3 round robins, 2 spare" in words
    assert 2 == re.findall(r'<path d="([^"]*)" class="rings">', words)[0].count("h0")


def test_what_plays_in_close_mics_alone_stands_beside(kit: Kit) -> None:
    """One-shots of the close mics' mapping are in no turn of the kit's, and are not lost."""
    first = next(shot for shot in kit.one_shots if shot.drum == "kick" and (shot.layer, shot.round_robin) == (2, 1))
    close = replace(kit, one_shots=tuple(replace(s, close_only=True) if s is first else s for s in kit.one_shots))
    cell = row(close, "kick", "hit").cells[1]

    assert ([2, 3], [first.hit]) == ([shot.round_robin for shot in cell.shots], [shot.hit for shot in cell.beside])


def test_the_scripts_map_is_the_same(kit: Kit) -> None:
    """One-shots by their number on the page; a level for each velocity of a layer, or none where none can be told."""
    told = {each["name"]: each for each in map_data(kit, rows_of(kit))}
    second = told["kick, hit"]["cells"][1]

    assert [3, 4, 5] == second["shots"]
    assert [49, 63, 77] == [x for x, _ in second["dots"]]
    assert 84 - 43 + 1 == len(second["wanted"])
    assert sorted(second["wanted"]) == second["wanted"]
    assert [[], []] == [cell["wanted"] for cell in told["snare, side stick"]["cells"]]


def test_a_kit_without_levels_has_a_map(kit: Kit) -> None:
    """What was never measured is drawn on a scale all the same."""
    mute = replace(kit, hits=tuple(replace(hit, level_db=None) for hit in kit.hits))

    assert (-6, 0) == level_span(rows_of(mute), mix_levels_dbfs(mute))
    assert "kick, hit, velocity 1 to 42: layer 1, 3 round robins" in join(map_markup(mute, rows_of(mute)))


def large_kit(folder: Path, *, layers: int = 10, robins: int = 5, mics: int = 5) -> Kit:
    """The small kit's records multiplied: ten ways to strike drums, in each ``layers`` by ``robins`` one-shots, each in
    ``mics`` files that exist on paper only.
    """
    small = small_kit(folder)
    names = ["kick", "snare", "hat", "rack", "floor"]
    drums = tuple(Drum(name, "tom", f"{name} close", (Articulation("centre", 40 + 2 * n),
                                                      Articulation("edge", 41 + 2 * n)))
                  for n, name in enumerate(names))
    rows = tuple(Mic(f"{name} close", Role.CLOSE, name) for name in names) + tuple(
        Mic(f"Room {n + 1}", Role.ROOM) for n in range(mics - 1))
    hits: list[Hit] = []
    shots: list[OneShot] = []
    step = 127 // layers
    for drum in drums:
        for how in drum.articulations:
            for layer in range(1, layers + 1):
                for robin in range(1, robins + 1):
                    number = len(hits) + 1
                    hits.append(replace(small.hits[0], id=number, onset=number * RATE, drum=drum.name,
                                        articulation=how.name, level_db=-30.123 + 3 * layer + robin / 7, layer=layer,
                                        bleed_db={mic.name: -33.3 for mic in rows}, reason=None))
                    stem = f"samples/{drum.name}/{how.name}/Barn-kit_{drum.name}_{how.name}_V{layer:02d}_RR{robin:02d}"
                    files = tuple(replace(
                        small.one_shots[0].files[0], mics=(mic,), path=f"{stem}_{mic.replace(' ', '-')}.wav",
                        hit=number, peak_dbfs=-number / 30, momentary_lufs=-20 - number / 40,
                        bleed_db=-50 + number / 50)
                        for mic in (drum.home, *(mic.name for mic in rows[len(names):])))
                    velocity = (1 + (layer - 1) * step, 127 if layer == layers else layer * step)
                    shots.append(replace(small.one_shots[0], hit=number, drum=drum.name, articulation=how.name,
                                         layer=layer, round_robin=robin, velocity=velocity, files=files,
                                         mix_db=-40 + layer + robin / 9))
    dirty = [replace(hit, id=hit.id + 1000, onset=hit.onset + RATE // 2, kept=False, fallback=False,
                     reason=f"too much bleed in its own mics: grade D, B required ({hit.id} dB)") for hit in hits * 2]
    take = replace(small.session.takes[0], mics=rows, frames=RATE * 1200)
    return replace(small, session=replace(small.session, takes=(take,)), drums=drums, hits=(*hits, *dirty),
                   one_shots=tuple(shots), prints=(), balance={mic.name: Fader(-3.0) for mic in rows},
                   bleed={"take 1": {drum.name: {mic.name: -20.0 for mic in rows} for drum in drums}},
                   delays={}, delays_ms={}, noise=(), polarity={})


def drawn(kit: Kit) -> dict[str, dict[str, Any]]:
    """Outlines of files that do not exist, no two alike."""
    return {file.path: {"whole": (STEPS[n % 60:] + STEPS)[:64] * 3, "start": (STEPS[n % 50:] + STEPS)[:48] * 2,
                        "seconds": 1.2345}
            for n, file in enumerate(file for shot in kit.one_shots for file in shot.files)}


def test_a_page_of_500_one_shots_stays_below_520_kb(tmp_path: Path) -> None:
    """500 one-shots in 5 files each, and 1000 hits left out: below 520 KB; every file is there with its outline."""
    kit = large_kit(tmp_path)
    page = write_report(kit, tmp_path, drawn(kit))
    data = json.loads(page.read_text(encoding="utf-8").split('id="data">', 1)[1].split("</script>", 1)[0])
    files = [dict(zip(data["fileFields"], file, strict=False)) for shot in data["shots"] for file in shot[-1]]

    assert (500, 2500) == (len(kit.one_shots), len(files))
    assert page.stat().st_size < 520_000
    assert {POINTS["whole"] // 4} == {len(file["whole"]) for file in files}


def test_a_page_of_40_mics_stays_below_480_kb(tmp_path: Path) -> None:
    """Two takes of 40 mics with their bleed octave by octave, and 60 one-shots of 36 files each: every figure is on the
    page, at one decimal and a step of colour each, and the page stays small.
    """
    kit = large_kit(tmp_path, layers=3, robins=2, mics=36)
    names = [mic.name for mic in kit.session.takes[0].mics]
    takes = tuple(replace(kit.session.takes[0], name=name) for name in ("take 1", "take 2"))
    octaves = len(BAND_EDGES_HZ) - 1

    def level(take: int, drum: int, mic: int, band: int) -> float:
        """No two alike, from -70 to 5 dB."""
        return -70 + (take * 37_000 + drum * 4_000 + mic * 100 + band) % 7_507 / 100

    bands = {take.name: {drum.name: {mic: BandBleed(tuple(level(t, d, m, b) for b in range(octaves)), 1.5, 12)
                                     for m, mic in enumerate(names)} for d, drum in enumerate(kit.drums)}
             for t, take in enumerate(takes)}
    bleed = {take.name: {drum.name: dict.fromkeys(names, -20.0) for drum in kit.drums} for take in takes}
    kit = replace(kit, session=replace(kit.session, takes=takes), bleed=bleed, bleed_bands=bands)
    page = write_report(kit, tmp_path, drawn(kit))
    text = page.read_text(encoding="utf-8")
    octave_tables = text.split("bleed by octave</summary>", 1)[1]
    told = [float(value.replace("−", "-")) for value in re.findall(r"<td[^>]*>(−?\d+\.\d)(?=<)", octave_tables)]
    css = text.split("</style>", 1)[0]

    assert 40 == len(names)
    wanted = [value for take in bands.values() for drum in in_kit_order(kit.drums)
              for mic in take[drum.name].values() for value in (*mic.bands_db, mic.spread_db)]
    assert wanted == pytest.approx(told[:len(wanted)], abs=0.051)
    assert {f"w{n}" for n in range(1, 21)} == set(re.findall(r'<td class="(w\d+)"', octave_tables))
    assert {f".w{n} {{" for n in range(1, 21)} <= set(re.findall(r"\.w\d+ \{", css))
    assert page.stat().st_size < 480_000, page.stat().st_size
