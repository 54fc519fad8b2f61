"""Replacement: prints of any drum, of all drums of a kind, alone if asked for, that add to the recorded drum."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from oneshot import pipeline
from oneshot.config.recipe import PRINT_LENGTHS_MS, PrintRecipe
from oneshot.core.errors import SettingsError, WorkError
from oneshot.core.records.kit import Kit
from oneshot.core.records.session import Floats
from oneshot.cutting.mix.prints import per_drum
from oneshot.kit.report.left_out import unused
from oneshot.kit.report.text import summary_lines, summary_record
from oneshot.kit.verify import verify
from oneshot.synth import family, slate, write_session

REPLACEMENT = Path("replacement")
BANDS_HZ = {"snare": (150.0, 400.0), "rack": (80.0, 250.0), "floor": (60.0, 200.0)}
"""Where the body of each drum lies."""


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A slate of a snare and two toms, each with a mic of its own."""
    plan, _ = family()["eight"]
    rows = (("snare", "centre", -18.0, 0.0, 5, 1.2), ("rack", "hit", -16.0, 0.0, 4, 2.0),
            ("floor", "hit", -14.0, 0.0, 4, 2.5))
    folder = tmp_path_factory.mktemp("replacement") / "session"
    write_session(folder, plan, [slate("take", rows)], seed=9)
    return folder


@pytest.fixture(scope="module")
def prints(session: Path) -> Kit:
    """Nothing but prints, of all three drums."""
    return pipeline.build(session, session.parent / "prints", recipe_path=REPLACEMENT, prints_only=True).kit


def energy_db(x: Floats, rate: int, band: tuple[float, float]) -> float:
    """Energy of a signal (frames,) in a band, dB."""
    power = np.abs(np.fft.rfft(x)) ** 2
    hz = np.fft.rfftfreq(len(x), 1 / rate)
    return float(10 * np.log10(power[(hz >= band[0]) & (hz < band[1])].sum()))


def test_prints_of_a_kind_and_of_every_drum() -> None:
    """A name is one drum, a kind all of its drums, nothing every drum; several are told apart by name; lengths go by
    kind where the recipe has none.
    """
    kinds = {"kick": "kick", "rack": "tom", "floor": "tom"}
    some = [PrintRecipe(name="a", drum="rack", length_ms=300.0), PrintRecipe(name="b", drum="tom", length_ms=0.0),
            PrintRecipe(name="c", length_ms=0.0), PrintRecipe(name="d", drum="gong")]

    found = per_drum(some, kinds)

    assert [("a", "rack", 300.0), ("b rack", "rack", 900.0), ("b floor", "floor", 900.0), ("c kick", "kick", 400.0),
            ("c rack", "rack", 900.0), ("c floor", "floor", 900.0), ("d", "gong", 400.0)] == \
        [(each.name, each.drum, each.length_ms) for each in found]
    assert [("c", "kick")] == [(each.name, each.drum) for each in per_drum(some[2:3], {"kick": "kick"})]


def test_prints_alone_are_all_there_is(session: Path, prints: Kit) -> None:
    """No sample and no mapping is written; every drum has its prints, as long as its kind's; the kit is sound."""
    folder = session.parent / "prints"
    names = {path.relative_to(folder).parts[0] for path in folder.rglob("*") if path.is_file()}
    kinds = {drum.name: drum.kind for drum in prints.drums}

    assert not prints.one_shots
    assert {"samples", "mappings"}.isdisjoint(names)
    assert {f"{name} {drum}" for name in ("replacement", "short") for drum in ("snare", "rack", "floor")} == \
        {each.print for each in prints.prints}
    assert all(each.frames <= PRINT_LENGTHS_MS[kinds[each.drum]] / 1000 * 48000 + 48 for each in prints.prints)
    assert [] == verify(folder)


def test_every_velocity_layer_has_its_own_prints(prints: Kit) -> None:
    """Of each layer up to four hits, numbered as round robins by their rank; layers tile the velocities; files sort by
    layer and round robin; no hit that is not clean stands in beside clean ones.
    """
    hits = {hit.id: hit for hit in prints.hits}
    for name in {each.print for each in prints.prints}:
        mine = [each for each in prints.prints if each.print == name]
        layers = sorted({each.layer for each in mine})
        ranges = dict.fromkeys(each.velocity for each in mine)

        assert len(layers) >= 3
        for layer in layers:
            inside = [each for each in mine if each.layer == layer]
            assert 1 <= len(inside) <= 4
            assert list(range(1, len(inside) + 1)) == [each.rank for each in inside] == [e.round_robin for e in inside]
        assert list(range(1, 128)) == [v for low, high in ranges for v in range(low, high + 1)]
        assert [each.path for each in mine] == sorted(each.path for each in mine)
        assert all((hits[each.hit].reason or "").startswith("spare") for each in mine)
        levels = [float(np.median([hits[e.hit].level_db or 0.0 for e in mine if e.layer == n])) for n in layers]
        assert levels == sorted(levels)


def test_what_is_said_of_prints_alone_is_of_prints(session: Path, prints: Kit) -> None:
    """README, lines and page tell of prints and printed hits, and of no samples, mappings or one-shots."""
    folder = session.parent / "prints"
    readme = (folder / "README.txt").read_text(encoding="utf-8")
    lines = "\n".join(text for _, text in summary_lines(summary_record(prints, folder=folder, files=1, size_bytes=1)))
    page = (folder / "report.html").read_text(encoding="utf-8")
    printed = len({each.hit for each in prints.prints})

    assert f"3 drums, {printed} hits, {len(prints.prints)} files" in " ".join(readme.split())
    assert all(word not in readme for word in ("samples/", "kit.sfz", "kit.sf2", "kit.mid", "one-shot"))
    assert "kept" not in lines
    assert "found  printed  prints  layers" in lines
    assert [] == unused(prints)
    assert printed == len(prints.hits)
    assert len(prints.hits) - 1 == len(unused(replace(prints, prints=prints.prints[:1])))
    assert "one-shots" not in page.split("<main>")[0].split("<header")[1]
    assert f"{printed} of {len(prints.hits)} hits printed" in page


def test_a_print_adds_to_the_drum_that_it_lies_under(session: Path, prints: Kit) -> None:
    """Laid under its own hit in the drum's mic, attack on attack and as loud, a print raises the body of snare and toms
    as one signal does that is added to itself, by 6.02 dB less what the mics' blend takes off.
    """
    home = {drum.name: drum.home for drum in prints.drums}
    for each in (p for p in prints.prints if p.print.startswith("replacement")):
        x, rate = soundfile.read(session.parent / "prints" / each.path)
        (file,) = (session / "take").glob(f"{home[each.drum]}.wav")
        start = each.source_start
        own = soundfile.read(file)[0][start:start + len(x)]
        window = slice(0, round(0.2 * rate))
        band = BANDS_HZ[each.drum]
        x, own = x[window], own[window]
        x = x * 10 ** ((energy_db(own, rate, band) - energy_db(x, rate, band)) / 20)

        x = x * each.mics[home[each.drum]].polarity  # the print points upward, whichever way the mic did
        assert 5.6 <= energy_db(own + x, rate, band) - energy_db(own, rate, band) <= 6.03


def test_prints_that_cannot_be_made_are_an_error(session: Path, tmp_path: Path) -> None:
    """Where prints are the point: no print in the recipe, a drum nobody struck, or another one than was built."""
    (tmp_path / "kick.toml").write_text('[[prints]]\nname = "k"\ndrum = "kick"\n', encoding="utf-8")
    with pytest.raises(SettingsError, match=r"no \[\[prints\]\]"):
        pipeline.build(session, tmp_path / "kit", prints_only=True)
    with pytest.raises(WorkError, match="no print was made of 'kick'"):
        pipeline.build(session, tmp_path / "kit", recipe_path=tmp_path / "kick.toml", prints_only=True)
    with pytest.raises(WorkError, match="no print was made"):
        pipeline.build(session, tmp_path / "kit", recipe_path=tmp_path / "kick.toml", only="snare")
    assert not (tmp_path / "kit").exists()
