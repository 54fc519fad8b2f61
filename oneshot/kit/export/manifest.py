"""manifest.json, version 1: all that is known of a kit, for programs; and the JSON Schema that lies beside it.

UTF-8, keys in a stable order, no NaN or Infinity (null instead), no absolute path, no clock time, numbers rounded:
levels to 0.01 dB, times to 0.1 ms, delays to 0.0001 ms, frequencies to 0.01 Hz, confidence to three decimals. Within
version 1 optional fields may be added; none is removed or redefined; readers ignore what they don't know.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from dataclasses import asdict
from importlib import resources
from pathlib import Path
from typing import Any

import msgspec

from oneshot.analysis.detection.spectrogram import BAND_EDGES_HZ
from oneshot.audio.descriptors import note_of
from oneshot.core.files import write_atomic
from oneshot.core.records.hits import Delay, Drum, Hit
from oneshot.core.records.kit import BandBleed, Kit, OneShot, Print, Sample, TakeNoise, kit_info
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Mic, Problem, Take
from oneshot.kit import null_reasons

FORMAT = "oneshot-manifest"
VERSION = 1
NAME = "manifest.json"
SCHEMA_NAME = "manifest.schema.json"

Json = dict[str, Any]
Table = Mapping[str, Mapping[str, Mapping[str, float | None]]]


def write(kit: Kit, folder: Path) -> list[Path]:
    """manifest.json and manifest.schema.json into the kit's folder; the two paths."""
    path, beside = folder / NAME, folder / SCHEMA_NAME
    write_atomic(path, msgspec.json.format(msgspec.json.encode(to_json(kit)), indent=1) + b"\n")
    write_atomic(beside, schema_text())
    return [path, beside]


def schema_text() -> str:
    """The JSON Schema (draft 2020-12) of the manifest, as it lies in every kit; the roles in it are those there are."""
    schema = json.loads(resources.files("oneshot.kit.export").joinpath(SCHEMA_NAME).read_text(encoding="utf-8"))
    schema["$defs"]["mic"]["properties"]["role"] = {"enum": [role.value for role in Role]}
    return json.dumps(schema, ensure_ascii=False, indent=2) + "\n"


def to_json(kit: Kit) -> Json:
    """The manifest as plain JSON types, in the order of the contract."""
    return {
        "format": FORMAT, "version": VERSION, "generator": kit.generator,
        "kit": kit_info(kit),
        "session": {"name": kit.session.name, "air_c": rounded(kit.session.air_c),
                    "takes": [_take(kit, take) for take in kit.session.takes]},
        "recipe": _plain(kit.recipe),
        "balance": {name: {"gain_db": rounded(fader.gain_db), "pan": rounded(fader.pan, 3),
                           "polarity": fader.polarity, "on": fader.on} for name, fader in kit.balance.items()},
        "drums": [_drum(drum) for drum in kit.drums],
        "bleed": _table(kit.bleed, 2),
        "delays_ms": _table(kit.delays_ms, 4),
        "delays": {take: {drum: {mic: _delay(value) for mic, value in mics.items()} for drum, mics in drums.items()}
                   for take, drums in kit.delays.items()},
        "hits": [_hit(hit, kit) for hit in kit.hits],
        "one_shots": [_one_shot(shot) for shot in kit.one_shots],
        "prints": [_print(each) for each in kit.prints],
        "band_edges_hz": list(BAND_EDGES_HZ),
        "bleed_bands": {take: {drum: {mic: _bands(row) for mic, row in mics.items()} for drum, mics in drums.items()}
                        for take, drums in kit.bleed_bands.items()},
        "unknown": {"bleed": _reasons(kit, kit.bleed, null_reasons.bleed_reason),
                    "delays_ms": _reasons(kit, kit.delays_ms, null_reasons.delay_reason)},
        "solved": {take: {drum: mics for drum in drums if (mics := null_reasons.solved(kit, take, drum))}
                   for take, drums in kit.bleed.items()},
        "problems": [asdict(each) for each in public_problems(kit)],
        **({"tracks": _plain(kit.tracks)} if kit.tracks else {}), **({"learned": _plain(kit.learned)} if kit.learned
                                                                     else {}),
    }


def public_problems(kit: Kit) -> list[Problem]:
    """What the build reported, without the folders of this machine: a kit holds no absolute path."""
    return [Problem(*(_without_place(text, kit) for text in (each.where, each.what, each.todo)))
            for each in kit.problems]


def _without_place(text: str, kit: Kit) -> str:
    """A text of a problem without the folders of this machine."""
    root = kit.session.root.resolve()
    text = text.replace(f"{root}/", "").replace(str(root), kit.session.name)
    return text.replace(f"{root.parent}/", "").replace(f"{Path.home()}/", "")


def rounded(value: float | None, digits: int = 2) -> float | None:
    """A number fit for JSON: rounded, no minus zero, null for what is not finite."""
    return None if value is None or not math.isfinite(value) else round(float(value), digits) + 0.0


def _take(kit: Kit, take: Take) -> Json:
    noise = next((each for each in kit.noise if each.take == take.name), TakeNoise(take.name, {}))
    polarity = kit.polarity.get(take.name, {})
    return {"name": take.name, "sample_rate": take.sample_rate, "frames": take.frames,
            "mics": [_mic(mic, noise, polarity.get(mic.name, mic.polarity),
                          kit.dynamics.get(take.name, {}).get(mic.name),
                          measured=mic.name in kit.polarity_measured.get(take.name, ())) for mic in take.mics]}


def _mic(mic: Mic, noise: TakeNoise, polarity: int, dynamics: str | None, *, measured: bool) -> Json:
    return {"name": mic.name, "role": mic.role.value, "drum": mic.drum, "pair": mic.pair, "polarity": polarity,
            "noise_dbfs": rounded(noise.noise_dbfs.get(mic.name)),
            **({"offset": rounded(noise.offset[mic.name], 7)} if mic.name in noise.offset else {}),
            **({"polarity_measured": True} if measured else {}),
            **({} if dynamics is None else {"dynamics": dynamics}),
            "source": [{"path": source.path, "channel": source.channel, "at": source.at, "frames": source.frames}
                       for source in mic.sources],
            **({} if mic.recorded else {"recorded": False})}


def _drum(drum: Drum) -> Json:
    return {"name": drum.name, "kind": drum.kind, "home": drum.home, "choke": drum.choke,
            **({} if drum.voices is None else {"voices": drum.voices}),
            "articulations": [{"name": each.name, "key": each.key,
                               **({} if each.second_key is None else {"second_key": each.second_key})}
                              for each in drum.articulations]}


def _delay(delay: Delay) -> Json:
    return {"ms": rounded(delay.ms, 4), "spread_ms": rounded(delay.spread_ms, 4), "hits": delay.hits,
            "path_m": rounded(delay.path_m, 3)}


def _hit(hit: Hit, kit: Kit) -> Json:
    why = {mic: reason for mic in hit.bleed_db if (reason := null_reasons.hit_reason(kit, hit, mic)) is not None}
    return {
        "id": hit.id, "take": hit.take, "onset": hit.onset, "onsets": dict(hit.onsets),
        "predicted": list(hit.predicted), "drum": hit.drum,
        "with": [{"drum": other.drum, "level_db": rounded(other.level_db)} for other in hit.partners],
        "ornament": {"kind": hit.ornament.kind, "id": hit.ornament.id} if hit.ornament else None,
        "articulation": hit.articulation, "layer": hit.layer, "confidence": rounded(hit.confidence, 3),
        "level_db": rounded(hit.level_db), "bleed_db": {mic: rounded(value) for mic, value in hit.bleed_db.items()},
        "isolated": hit.isolated, "usable": list(hit.usable), "kept": hit.kept, "fallback": hit.fallback,
        "reason": hit.reason,
        "clean_s": {mic: rounded(value, 4) for mic, value in hit.clean_s.items()},
        **({"hand": hit.hand, "wires": hit.wires, "tool": hit.tool, "strength": hit.strength, "told_by": hit.told_by}
           if hit.told_by else {}), **({"added": True} if hit.added else {}), **({"unknown": why} if why else {})}


def _bands(row: BandBleed) -> Json:
    return {"bands_db": [rounded(value) for value in row.bands_db], "spread_db": rounded(row.spread_db),
            "hits": row.hits}


def _one_shot(shot: OneShot) -> Json:
    return {
        "hit": shot.hit, "drum": shot.drum, "articulation": shot.articulation, "layer": shot.layer,
        "round_robin": shot.round_robin, "velocity": list(shot.velocity), "grade": shot.grade,
        "fundamental_hz": rounded(shot.fundamental_hz), "decay_s": rounded(shot.decay_s, 4),
        "ring_kept_db": rounded(shot.ring_kept_db), "mix_db": rounded(shot.mix_db),
        "files": [_sample(sample) for sample in shot.files],
        **({"untouched": [_sample(sample) for sample in shot.untouched]} if shot.untouched else {}),
        "edt_s": rounded(shot.edt_s, 4), "t20_s": rounded(shot.t20_s, 4), **_note(rounded(shot.fundamental_hz)),
        **({} if shot.ended_by is None else {"ended_by": shot.ended_by}),
        **({"close_only": True} if shot.close_only else {}),
        **({} if shot.close_db is None else {"close_db": rounded(shot.close_db)})}


def _note(hz: float | None) -> Json:
    """A pitch as MIDI note number and cents from it."""
    note, cents = (None, None) if hz is None else note_of(hz)
    return {"note": note, "cents": rounded(cents, 1)}


def _sample(sample: Sample) -> Json:
    return {
        "mics": list(sample.mics), "path": sample.path, "frames": sample.frames, "source_start": sample.source_start,
        "onset_frame": sample.onset_frame, "fade_in_frames": sample.fade_in_frames,
        "fade_out_frames": sample.fade_out_frames, "gain_db": rounded(sample.gain_db), "inverted": sample.inverted,
        "grade": sample.grade, "hit": sample.hit, "repaired": list(sample.repaired),
        "peak_dbfs": rounded(sample.peak_dbfs), "true_peak_dbtp": rounded(sample.true_peak_dbtp),
        "momentary_lufs": rounded(sample.momentary_lufs), "integrated_lufs": rounded(sample.integrated_lufs),
        "bleed_db": rounded(sample.bleed_db), "sha256": sample.sha256,
        **({"nudged_frames": sample.nudged_frames} if sample.nudged_frames else {}),
        "crest_db": rounded(sample.crest_db), "brightness_hz": rounded(sample.brightness_hz, 1),
        **({} if sample.time_reference is None else {"time_reference": sample.time_reference}),
        **({} if sample.sample_rate is None else {"sample_rate": sample.sample_rate}),
        **({"shift_frames": sample.shift_frames} if sample.shift_frames else {}),
        **({"processed": sample.processed} if sample.processed else {}),
        **({"outside": {name: rounded(value) if isinstance(value, float) else value
                        for name, value in sample.outside.items()}} if sample.outside else {}),
        **({} if sample.recovering_db is None else {"recovering_db": rounded(sample.recovering_db)}),
        **({"mixdown": True, "mix_of": list(sample.mix_of)} if sample.mixdown else {}),
        **({} if sample.plays else {"plays": False}),
        **({"far": True} if sample.far else {}),
        **({"repairs": [{name: rounded(value) if isinstance(value, float) else value for name, value in each.items()}
                        for each in sample.repairs]} if sample.repairs else {})}


def _print(each: Print) -> Json:
    return {
        "print": each.print, "hit": each.hit, "drum": each.drum, "articulation": each.articulation,
        "layer": each.layer, "round_robin": each.round_robin, "velocity": list(each.velocity),
        "mics": {name: {"gain_db": rounded(part.gain_db), "delay_frames": part.delay_frames, "polarity": part.polarity}
                 for name, part in each.mics.items()},
        "path": each.path, "frames": each.frames, "source_start": each.source_start,
        "offset_frames": each.offset_frames, "first_excursion": each.first_excursion,
        "peak_dbfs": rounded(each.peak_dbfs), "true_peak_dbtp": rounded(each.true_peak_dbtp),
        "momentary_lufs": rounded(each.momentary_lufs), "sha256": each.sha256, "rank": each.rank, "why": each.why,
        **({} if each.time_reference is None else {"time_reference": each.time_reference}),
        **({} if each.sample_rate is None else {"sample_rate": each.sample_rate}),
        **({} if each.fade_out_frames is None else {"fade_out_frames": each.fade_out_frames})}


def _table(table: Table, digits: int) -> Json:
    return {take: {drum: {mic: rounded(value, digits) for mic, value in mics.items()} for drum, mics in drums.items()}
            for take, drums in table.items()}


def _reasons(kit: Kit, table: Table, reason: Callable[[Kit, str, str, str], str | None]) -> Json:
    """Why entries of a table are null, take by take; drums and mics without such an entry are left out."""
    told = {take: {drum: {mic: why for mic in mics if (why := reason(kit, take, drum, mic)) is not None}
                   for drum, mics in drums.items()} for take, drums in table.items()}
    return {take: {drum: mics for drum, mics in drums.items() if mics} for take, drums in told.items()}


def _plain(value: Any) -> Any:
    """The recipe's values as JSON types."""
    if isinstance(value, Mapping):
        return {str(name): _plain(inner) for name, inner in value.items()}
    return [_plain(inner) for inner in value] if isinstance(value, tuple | list) else value
