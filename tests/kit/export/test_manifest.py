"""manifest.json, its schema, hits.csv and README.txt of a small kit."""

from __future__ import annotations

import copy
import csv
import json
import random
import shutil
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from fastjsonschema.draft07 import CodeGeneratorDraft07

from oneshot.core.records.kit import Kit
from oneshot.core.records.session import Problem
from oneshot.kit.export import FORMATS, hits_csv, manifest, readme, write_all
from oneshot.kit.export.shape import faults

SCHEMA = json.loads(manifest.schema_text())


@pytest.fixture(scope="module")
def kit(example: Kit) -> Kit:
    """The example, and its folder beside it."""
    return example


def test_the_manifest_fits_its_schema(kit: Kit) -> None:
    """JSON Schema draft 2020-12, checked by a full validator, formats of the standard only."""
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    jsonschema.Draft202012Validator(SCHEMA).validate(manifest.to_json(kit))

    assert [] == faults(manifest.to_json(kit), SCHEMA)


def test_the_manifest_has_the_contracts_fields_in_order(kit: Kit) -> None:
    """Version 1: these names, this order; optional ones, added since, at the end."""
    document = manifest.to_json(kit)

    assert ["format", "version", "generator", "kit", "session", "recipe", "balance", "drums", "bleed", "delays_ms",
            "delays", "hits", "one_shots", "prints", "band_edges_hz", "bleed_bands", "unknown", "solved",
            "problems"] == list(document)
    assert ["id", "take", "onset", "onsets", "predicted", "drum", "with", "ornament", "articulation", "layer",
            "confidence", "level_db", "bleed_db", "isolated", "usable", "kept",
            "fallback", "reason", "clean_s"] == list(document["hits"][0])
    assert ["hit", "drum", "articulation", "layer", "round_robin", "velocity", "grade", "fundamental_hz", "decay_s",
            "ring_kept_db", "mix_db", "files", "edt_s", "t20_s", "note", "cents"] == list(document["one_shots"][0])
    assert ["mics", "path", "frames", "source_start", "onset_frame", "fade_in_frames", "fade_out_frames", "gain_db",
            "inverted", "grade", "hit", "repaired", "peak_dbfs", "true_peak_dbtp", "momentary_lufs", "integrated_lufs",
            "bleed_db", "sha256", "crest_db", "brightness_hz"] == list(document["one_shots"][0]["files"][0])
    assert ("oneshot-manifest", 1) == (document["format"], document["version"])


def test_numbers_are_rounded_and_what_is_no_number_is_null(kit: Kit) -> None:
    """0.01 dB, 0.1 ms, confidence to three decimals; NaN becomes null and minus zero zero."""
    document = manifest.to_json(kit)
    hit, shot = document["hits"][0], document["one_shots"][0]

    assert (0.988, -33.33, 61.23, 0.4123, None) == (hit["confidence"], hit["bleed_db"]["Hat"], shot["fundamental_hz"],
                                                    shot["decay_s"], shot["ring_kept_db"])
    assert "-0.0" == str(-0.0)
    assert "0.0" == str(document["bleed"]["take 1"]["kick"]["Hat"])
    assert 3.9432 == document["delays_ms"]["take 1"]["kick"]["OH L"]
    assert {"ms": 3.9432, "spread_ms": 0.0213, "hits": 12, "path_m": 1.353} == \
        document["delays"]["take 1"]["kick"]["OH L"]


def test_what_is_known_of_mics_and_partners_is_there(kit: Kit) -> None:
    """Measured polarity and noise, strokes struck together, ornaments."""
    document = manifest.to_json(kit)
    mics = {mic["name"]: mic for mic in document["session"]["takes"][0]["mics"]}
    last = document["hits"][-1]

    assert (-1, -84.0, None) == (mics["OH L"]["polarity"], mics["OH L"]["noise_dbfs"], mics["OH R"]["noise_dbfs"])
    assert ([{"drum": "hat", "level_db": None}], {"kind": "flam", "id": 3}) == (last["with"], last["ornament"])
    assert "Chapel" == document["kit"]["name"]
    assert document["kit"]["licence"] is None


def test_a_manifest_tells_nothing_of_the_machine(kit: Kit, tmp_path: Path) -> None:
    """No absolute path, also not through problems; the same kit gives the same bytes."""
    told = replace(kit, problems=(Problem(f"{kit.session.root}/take 1", f"{kit.session.root}: noisy", "listen"),))
    first, second = (tmp_path / name for name in ("a", "b"))
    for folder, each in ((first, kit), (second, told)):
        shutil.copytree(kit.session.root / "kit" / "samples", folder / "samples")
        written = write_all(each, folder)
    names = [path.relative_to(second).as_posix() for path in written]

    assert {"README.txt", "hits.csv", "manifest.json", "manifest.schema.json", "mappings/kit.sfz", "mappings/kit.sf2",
            "mappings/kit.mid"} <= set(names)
    for name in names:
        assert (first / name).read_bytes() == (second / name).read_bytes() or name == "manifest.json"
        assert str(kit.session.root).encode() not in (second / name).read_bytes()
    document = json.loads((second / "manifest.json").read_text(encoding="utf-8"))
    assert [{"where": "take 1", "what": f"{kit.session.name}: noisy", "todo": "listen"}] == document["problems"]


def test_every_format_has_a_row(kit: Kit, tmp_path: Path) -> None:
    """Each row writes what it says and says what it is for."""
    shutil.copytree(kit.session.root / "kit" / "samples", tmp_path / "samples")
    for row in FORMATS:
        assert row.about
        paths = row.write(kit, tmp_path)
        assert paths
        assert all(path.is_file() for path in paths)


def _set(place: str, value: Any) -> Callable[[dict[str, Any]], None]:
    """A change to a manifest: put ``value`` (or nothing, for ...) at a place like "hits.0.id"."""
    def change(document: dict[str, Any]) -> None:
        inner: Any = document
        *path, last = (int(part) if part.isdigit() else part for part in place.split("."))
        for part in path:
            inner = inner[part]
        if value is ...:
            del inner[last]
        else:
            inner[last] = value
    return change


DAMAGE = [("format", "other"), ("version", 2), ("version", True), ("hits", ...), ("hits.0.onset", ...),
          ("hits.0.onset", 1.5), ("hits.0.with", ...), ("hits.0.with", None), ("hits.0.confidence", 1.2),
          ("hits.0.kept", 1), ("hits.0.layer", 0),
          ("hits.0.ornament", {"kind": "flam"}), ("hits.0.onsets.Hat", "x"), ("one_shots.0.velocity", [1]),
          ("one_shots.0.velocity", [0, 127]), ("one_shots.0.velocity", [1, 2, 3]), ("one_shots.0.grade", "E"),
          ("one_shots.0.files", []), ("one_shots.0.files.0.path", "/samples/x.wav"),
          ("one_shots.0.files.0.path", "samples/a b.wav"), ("one_shots.0.files.0.sha256", "abc"),
          ("one_shots.0.files.0.onset_frame", -1), ("prints.0.first_excursion", 0),
          ("prints.0.mics.Kick In.polarity", 2),
          ("drums.0.articulations.0.key", 128), ("balance.OH L.pan", -1.5), ("session.takes.0.mics.0.role", "main"),
          ("session.takes.0.mics.0.source.0.path", "/srv/OH.wav"), ("kit.perspective", "band"), ("kit.name", "")]


@pytest.mark.parametrize(("place", "value"), DAMAGE, ids=[f"{place}={value}" for place, value in DAMAGE])
def test_the_schema_finds_what_is_wrong(kit: Kit, place: str, value: Any) -> None:
    """A missing, misnamed or out-of-range field is found, by a full validator and by the kit's own reader alike."""
    document = copy.deepcopy(manifest.to_json(kit))
    _set(place, value)(document)
    official = list(jsonschema.Draft202012Validator(SCHEMA).iter_errors(document))

    assert official
    assert faults(document, SCHEMA)


def test_readers_take_fields_they_do_not_know(kit: Kit) -> None:
    """Within version 1 optional fields may be added, anywhere."""
    document = copy.deepcopy(manifest.to_json(kit))
    _set("more", 1)(document)
    _set("hits.0.more", 1)(document)
    _set("one_shots.0.files.0.more", None)(document)

    assert [] == list(jsonschema.Draft202012Validator(SCHEMA).iter_errors(document))
    assert [] == faults(document, SCHEMA)


def keywords(rule: Any) -> set[str]:
    """Every keyword that a schema uses, names of fields left out."""
    found = set(rule)
    for name, inner in rule.items():
        inside = [*inner.values()] if name in ("properties", "$defs") else inner if name == "anyOf" else [inner]
        found |= {word for each in inside if isinstance(each, dict) for word in keywords(each)}
    return found


def test_no_keyword_of_the_schema_is_passed_over() -> None:
    """The validator knows each keyword; one of a later draft would be passed over silently."""
    known = CodeGeneratorDraft07(SCHEMA)._json_keywords_to_function  # type: ignore[no-untyped-call]

    assert {"$schema", "$defs", "title", "description", "$ref"} == keywords(SCHEMA) - set(known)
    assert len(keywords(SCHEMA)) > 15


def test_any_damage_is_found_where_a_full_validator_finds_it(kit: Kit) -> None:
    """Whatever is taken out of a manifest or put into it: the same places, by either of two libraries."""
    whole, rng = manifest.to_json(kit), random.Random(7)
    for name in ("hits", "one_shots"):  # the first and the last have all that there is; more of them say nothing new
        whole[name] = [whole[name][0], whole[name][-1]]
    official = jsonschema.Draft202012Validator(SCHEMA)
    places, found = list(_places(whole)), 0
    for _ in range(300):
        document, place = copy.deepcopy(whole), rng.choice(places)
        inner: Any = document
        for part in place[:-1]:
            inner = inner[part]
        if rng.random() < 0.3:
            del inner[place[-1]]
        else:
            inner[place[-1]] = rng.choice([None, True, 0, -1, 1.5, 1e9, "", "x", "/a", [], {}, [1], {"a": 1}])
        wanted = sorted({"".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in path).lstrip(".")
                         for error in official.iter_errors(document) for path in _of(error)})
        found += bool(wanted)

        assert wanted == sorted({place for place, _ in faults(document, SCHEMA)})
    assert found > 100


def _of(error: jsonschema.ValidationError) -> list[list[str | int]]:
    """Where a fault lies: a missing field in its own place."""
    path = list(error.absolute_path)
    if error.validator != "required":
        return [path]
    return [[*path, name] for name in error.validator_value if name not in error.instance]


def _places(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Every place in a document, the top left out."""
    inside = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for name, inner in inside:
        yield (*path, name)
        yield from _places(inner, (*path, name))


def test_a_fault_is_told_with_its_place(kit: Kit) -> None:
    """Where in the document, and what it must be."""
    document = copy.deepcopy(manifest.to_json(kit))
    _set("one_shots.1.files.0.grade", "E")(document)
    _set("hits.2.take", ...)(document)

    assert [("hits[2].take", "is missing"), ("one_shots[1].files[0].grade", "must be one of ['A', 'B', 'C', 'D']")] == (
        faults(document, SCHEMA))


def test_hits_csv_has_one_line_per_hit(kit: Kit) -> None:
    """RFC 4180: a header, lines ended by CR LF; unknown cells empty, truth values as words."""
    text = hits_csv.to_csv(kit)
    rows = list(csv.DictReader(text.splitlines()))

    assert text.count("\r\n") == text.count("\n") == len(kit.hits) + 1
    assert len(kit.hits) == len(rows)
    assert tuple(rows[0]) == hits_csv.COLUMNS
    columns = ("onset_s", "drum", "articulation", "layer", "round_robin", "level_db", "kept", "home")
    assert ("1.0000", "kick", "hit", "1", "1", "-30.9", "yes", "Kick In") == tuple(rows[0][name] for name in columns)
    assert ("", "", "hat", "flam 3", "no", "too soft") == tuple(
        rows[-1][name] for name in ("layer", "level_db", "with", "ornament", "kept", "reason"))


def test_a_name_is_never_a_formula(kit: Kit) -> None:
    """A drum called "=1+1" stays text when a spreadsheet opens the table."""
    odd = replace(kit, hits=(replace(kit.hits[0], drum="=1+1", reason='says "no", twice'),))
    row = next(csv.DictReader(hits_csv.to_csv(odd).splitlines()))

    assert ("'=1+1", 'says "no", twice') == (row["drum"], row["reason"])


def test_the_readme_says_what_there_is(kit: Kit) -> None:
    """Counts, keys, layers, round robins; how to load it; caution; that no licence was stated."""
    text = readme.to_text(kit)
    table = [line.split() for line in text.splitlines() if line[:2].isdigit()]

    assert "2 drums, 12 one-shots, 24 files at 44.1 kHz" in " ".join(text.split())
    assert [["36", "kick", "hit", "3", "2", "B:6"], ["42", "hat", "closed", "2", "2", "B:4"],
            ["46", "hat", "open", "1", "2", "B:2"]] == table
    assert "mappings/kit.sfz" in text
    assert "no licence" in text
    assert max(map(len, text.splitlines())) <= 80


def test_the_readme_repeats_what_the_maker_stated(kit: Kit) -> None:
    """Licence and players by name, never assumed."""
    said = replace(kit, recipe={"kit": {"name": "Nave", "licence": "CC0 1.0", "players": ["Ada"], "author": "Ben"}})
    text = readme.to_text(said)

    assert text.startswith("Nave, version 1.0\n")
    assert "Licence, as stated by the maker: CC0 1.0." in text
    assert "Made by: Ben\nPlayed by: Ada" in text
