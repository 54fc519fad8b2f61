"""Pack: the zip that people download.

A kit as it is, measured again first, under a licence that its owner states, with credits, a table of its files, sums, a
preview to hear, a cover and a sheet to see; or, where its owner asks for that, without the traces of its recording.
Every text that is published with it is listed before anything is written. The same input makes the same bytes: no clock
time, names in order, one compression.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator, Mapping
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

from oneshot.audio.io import read_audio
from oneshot.audio.ogg import ogg_bytes
from oneshot.config import release_lock
from oneshot.config.corrections_file import load
from oneshot.config.recipe import Naming, Packing, Recipe
from oneshot.config.recipe_file import load_recipe, recipe_of, recipe_toml
from oneshot.core.errors import KitError, SettingsError
from oneshot.core.files import check_writable, folder_beside, put_in_place, real, sha256_of, write_atomic
from oneshot.core.kit_lock import held
from oneshot.core.records.kit import Kit, kit_info
from oneshot.core.user_state import session_of
from oneshot.kit.contents import RECIPE, WITH_PACK, published, sounds, strangers
from oneshot.kit.export import hits_csv, manifest, midi, readme
from oneshot.kit.playback.preview import preview
from oneshot.kit.read import read_kit, read_manifest
from oneshot.kit.release import pack_readme
from oneshot.kit.release.archive import (
    Pack,
    Texts,
    changes,
    changes_file,
    is_newer,
    is_of_root,
    is_pack_of,
    open_zip,
    root_of,
    sums_of,
    version_of,
)
from oneshot.kit.release.contact_sheet import contact_sheet
from oneshot.kit.release.cover import check_cover, cover
from oneshot.kit.release.licences import licence_file, licence_of
from oneshot.kit.release.without_recording import STAY_HOME, bare_files, without_recording
from oneshot.kit.release.without_recording import document as bare_document
from oneshot.kit.verify import verify_kit
from oneshot.session.output_paths import check_target

CREDITS = ("name", "version", "author", "players", "studio", "licence")
"""What the recipe says of a kit and every tag of it repeats."""


def licensed(folder: Path, licence: str | None, version: str | None) -> tuple[Kit, str, str]:
    """The kit under the licence and version it will be released with: (kit, name of the licence, its text).

    ``licence``: a word of ``LICENCES`` or the path of a text file; None: what the kit's recipe says. What that says of
    packs (``[pack]``) is taken as it stands in the kit's folder now. ``version`` None: that of the recipe, or of the
    release that the kit is locked to where that is later. Raises KitError where the folder is no kit or its
    recipe gives it other credits than it was built with, SettingsError where no licence is stated, its file cannot be
    read or the recipe cannot.
    """
    kit = read_kit(folder)
    info = dict(kit_info(kit))
    built = recipe_of(kit.recipe)
    now = load_recipe(folder / RECIPE)[0] if (folder / RECIPE).is_file() else built
    by_hand = {name for name, said in (("licence", licence), ("version", version)) if said}
    by_hand |= {"name"} if not now.kit.name else set()  # the session's, as it was
    stale = [name for name in CREDITS if name not in by_hand and getattr(now.kit, name) != getattr(built.kit, name)]
    if stale:
        raise KitError(f"{folder / RECIPE}: {', '.join(stale)} changed since the kit was built, and its files still "
                       "tell the old: build it again, then pack")
    name, text = licence_of(licence, str(info["licence"] or ""))
    said, earlier = str(info["version"]), release_lock.read(folder)
    if earlier is not None and is_newer(earlier.kit_version, said):
        said = earlier.kit_version
    info.update(licence=name, version=version_of(version, said))
    return replace(kit, recipe={**kit.recipe, "kit": info, "pack": asdict(now.pack)}), name, text


def told(folder: Path, kit: Kit) -> tuple[str, ...]:
    """What the owner of a licensed kit should know before it is packed. Raises SettingsError where its cover cannot be
    used.
    """
    version, earlier = str(kit_info(kit)["version"]), release_lock.read(folder)
    lines = [check_cover(kit, folder, _asked(kit).cover)]
    if earlier is not None and is_newer(earlier.kit_version, version):
        lines.append(f"version {version} is lower than that of the last release, {earlier.kit_version}: give a new one "
                     "with --version")
    elif earlier is not None and earlier.kit_version == version:
        lines.append(f"version {version} is released already: for anything but the same zip give a new one with "
                     "--version")
    return tuple(line for line in lines if line)


def _asked(kit: Kit) -> Packing:
    """What the recipe of a licensed kit says of packs."""
    said = kit.recipe["pack"]
    return Packing(**said) if isinstance(said, Mapping) else Packing()


def texts_of(kit: Kit) -> Texts:
    """Every text of a person's that the pack of a licensed kit will publish, for its owner to read before."""
    info, details = kit_info(kit), _asked(kit).recording_details
    kit = kit if details else without_recording(kit)
    takes = kit.session.takes
    mics = [mic for take in takes for mic in take.mics]
    rows = [(name, str(info[name])) for name in ("name", "version", "author", "studio", "licence") if info[name]]
    rows += [("player", str(player)) for player in info["players"]]
    if details:
        rows += [("session", kit.session.name), *(("take", take.name) for take in takes)]
    rows += [("mic", mic.name) for mic in mics]
    rows += [("mic of the drum", mic.drum) for mic in mics if mic.drum]
    rows += [("pair of mics", mic.pair) for mic in mics if mic.pair]
    rows += [("drum", drum.name) for drum in kit.drums]
    rows += [("articulation", how.name) for drum in kit.drums for how in drum.articulations]
    rows += [("print", each.print) for each in kit.prints]
    rows += [("strength", hit.strength) for hit in kit.hits if hit.strength]
    rows += [("processed track", str(row["name"])) for tracks in kit.tracks.values() for row in tracks]
    rows += [("file of the session", name) for name in sorted({source.path for mic in mics for source in mic.sources})]
    rows += [("warning", ": ".join(filter(None, (each.where, each.what)))) for each in manifest.public_problems(kit)]
    if details:
        told = {text for _, text in rows}
        recipe = recipe_of({name: part for name, part in kit.recipe.items() if name not in ("kit", "pack")})
        rows += [("recipe", text) for text in _said_in(recipe) if text not in told]
    return Texts(tuple(dict.fromkeys(rows)))


def _said_in(recipe: Recipe) -> Iterator[str]:
    """What a recipe holds of names that a person chose: they are published with it, whether the kit has such or not."""
    yield from (*recipe.export.mics, *recipe.export.drums, *recipe.keys, *recipe.hands, *recipe.voices, *recipe.balance)
    for name, made_of in recipe.tracks.items():
        yield from (name, *made_of)
    for each in recipe.prints:
        yield from (each.name, *([each.drum] if each.drum else []), *each.mics, *each.tails)
    names, usual = recipe.names, Naming()
    yield from (text for text, same in ((names.kit, usual.kit), (names.samples, usual.samples),
                                        (names.prints, usual.prints)) if text != same)
    if recipe.mix.learn_from:
        yield recipe.mix.learn_from


def pack_kit(folder: Path, out: Path, *, licence: str | None = None, version: str | None = None,
             last: Path | None = None, lock: bool = False) -> Pack:
    """Write the zip of a kit.

    ``last``: the zip of the release before, against which changes are listed; None: the release that the kit
    remembers, if any. ``lock``: let the kit remember this one (``released.json`` in its folder, the only thing that
    is changed there), so that later builds keep its names.

    Nothing goes out but what the manifest lists and a kit is known to have; links never do.

    Raises KitError where the kit is not what its manifest says, one of its files is a link, or ``last`` is no pack of
    ours; SettingsError where no licence is stated, or ``out`` is there and is no pack of this kit, or lies in a
    session, or the version was released with other content. Nothing is left behind then.
    """
    with held(folder, "a pack"):
        return _pack_kit(folder, out, licence, version, last, lock=lock)


def _pack_kit(folder: Path, out: Path, licence: str | None, version: str | None, last: Path | None, *,
              lock: bool) -> Pack:
    """As ``pack_kit``, of a kit that is held."""
    kit, name, text = licensed(folder, licence, version)
    check_target(out, sessions=(session_of(folder),), ours=lambda path: is_pack_of(
        path, str(kit_info(kit)["name"]), "kit"))
    check_writable(real(out))
    if lock:
        check_writable(folder / release_lock.NAME)
    outside = left_out(folder, kit)  # what stays out is no fault of the kit's
    faults = [found for found in verify_kit(folder) if found.path not in outside]
    if faults:
        raise KitError(f"{folder}: {len(faults)} differences from its manifest: run oneshot verify, and build the kit "
                       "again")
    earlier = release_lock.read(folder)
    before_it = earlier
    if earlier is None and last is not None:
        before_it = release_lock.with_take_names(release_lock.read_pack(last), [t.name for t in kit.session.takes])
    kept = release_lock.record(kit, before_it, len(load(folder / "corrections.toml").entries),
                               str(kit_info(kit)["version"]))
    with folder_beside(real(out)) as stage:
        files = _contents(kit, folder, stage, (name, text), kept)
        now = {n: sha256_of(path) for n, path in files.items()}
        before = sums_of(last) if last is not None else _before(earlier, now)
        changed = () if before is None else tuple(changes(before, now))
        said = () if before is None else _news(kit, earlier, last, kept, now)
        texts = {} if before is None else {"CHANGES.txt": changes_file(changed, said)}
        _refuse_another(out, kit, earlier, now, lock=lock)
        written = stage / "pack.zip"
        pack = open_zip(written, _root(kit))
        for n in sorted({*files, *texts}):
            pack.add(n, texts[n] if n in texts else files[n])
        pack.close()
        put_in_place(written, out)
    if lock:
        kept = replace(kept, sums=pack.sums, against=before or {}, told=said)
        write_atomic(folder / release_lock.NAME, release_lock.to_json(kept))
    return Pack(out, len(pack.sums) + 1, out.stat().st_size, name, changed, lock, outside, said)


def _refuse_another(out: Path, kit: Kit, earlier: release_lock.Released | None, now: Mapping[str, str], *,
                    lock: bool) -> None:
    """Raise SettingsError where a version would be released twice with different content, or its zip overwritten by a
    trial: people could not tell the two apart. ``now``: name -> sum of what would be packed.
    """
    version = str(kit_info(kit)["version"])
    released = earlier.sums if earlier is not None and earlier.kit_version == version else {}
    there = sums_of(out) if out.is_file() and is_of_root(out, _root(kit)) else {}
    newer = "give the new one a new version with --version"
    if there and any(changes(there, now)) and (lock or (released and not any(changes(released, there)))):
        raise SettingsError(f"{out} is version {version} with other content: {newer}" +
                            ("" if released else ", or delete the zip if it was a trial"))
    if lock and released and any(changes(released, now)):
        raise SettingsError(f"version {version} of this kit was released with other content: {newer}")


def left_out(folder: Path, kit: Kit) -> tuple[str, ...]:
    """What lies in the kit's folder and is not published, for its owner to know: all that is not the kit's own.
    ``kit``: a licensed one.
    """
    return tuple(name for name in strangers(folder, kit) if name not in {*WITH_PACK, _asked(kit).cover})


def _files(folder: Path, kit: Kit) -> dict[str, Path]:
    """Name -> path of the kit's own files that are published. Raises KitError where one of them is a link."""
    files = {name: folder / name for name in sorted(published(kit)) if (folder / name).is_file()}
    for name, path in files.items():
        if path.resolve() != folder.resolve() / name:
            raise KitError(f"{path} is a link: put the file itself there, or build the kit again")
    return files


def _before(earlier: release_lock.Released | None, now: Mapping[str, str]) -> Mapping[str, str] | None:
    """The sums against which changes are listed. A release packed once more, not a byte of it changed, is no next one:
    it is held against the one before it, as it was the first time, and its zip is the same.
    """
    if earlier is None or not earlier.sums:
        return None
    return earlier.sums if any(changes(earlier.sums, now)) else earlier.against or None


def _news(kit: Kit, earlier: release_lock.Released | None, last: Path | None, kept: release_lock.Released,
          now: Mapping[str, str]) -> tuple[str, ...]:
    """What changed for who plays the kit since the release before, in lines. ``earlier``, ``last``, ``now`` as for
    packing; ``kept``: the record of this release. A release packed once more says what it said.
    """
    if last is None and earlier is not None and not any(changes(earlier.sums, now)):
        return earlier.told
    before = earlier if last is None else release_lock.with_take_names(
        release_lock.read_pack(last), [take.name for take in kit.session.takes])
    if before is None:
        return ()
    lines = release_lock.news(before, kept) or ("No one-shot, key or velocity range has changed.",)
    return f"{before.kit_version} to {kept.kit_version}", "", *lines


def _root(kit: Kit) -> str:
    """The one folder in the zip: the kit's name and version, safe on every system."""
    info = kit_info(kit)
    return root_of(str(info["name"]), str(info["version"]), "kit")


def _contents(kit: Kit, folder: Path, stage: Path, licence: tuple[str, str],
              kept: release_lock.Released) -> dict[str, Path]:
    """Name -> path of all that the pack holds, but for what it says of changes; written into ``stage`` where the kit
    has it not, or otherwise. ``licence``: name and text; ``kept``: the record of the release.
    """
    asked, files, public = _asked(kit), _files(folder, kit), kit
    picture, pixels = cover(kit, folder, asked.cover)
    if asked.recording_details:
        document = _document(kit, folder)
        document["recipe"]["pack"] = {"cover": picture if asked.cover else "", "recording_details": True}
        made = {RECIPE: recipe_toml(recipe_of(document["recipe"])).encode()}  # notes between its lines stay at home
    else:
        apart = {*sounds(kit), *midi.names(kit), *STAY_HOME}
        public, instead = bare_files(folder, stage, without_recording(kit))
        files = {**{name: path for name, path in files.items() if name not in apart}, **instead}
        document, made, kept = bare_document(public), {}, release_lock.with_hidden_takes(kept)
    preview(folder, stage / "preview.wav")
    made |= {
        "LICENCE.txt": licence_file(*licence).encode(),
        manifest.NAME: (json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1) + "\n").encode(),
        release_lock.NAME: release_lock.to_json(kept).encode(),
        "files.csv": _table(public).encode(), "sheet.png": contact_sheet(kit, folder), picture: pixels,
        "preview.ogg": _smaller(kit, stage / "preview.wav")}
    files |= {name: stage / name for name in ("preview.wav", *made)}
    made[readme.NAME] = pack_readme.to_text(public, folder, files).encode()
    for name, content in made.items():
        (stage / name).write_bytes(content)
    return {**files, readme.NAME: stage / readme.NAME}


def _document(kit: Kit, folder: Path) -> dict[str, Any]:
    """The kit's manifest with nothing changed but what the release says of itself."""
    document = read_manifest(folder)
    document["kit"] = kit_info(kit)
    return document


def _smaller(kit: Kit, path: Path) -> bytes:
    """The preview compressed, for pages and messages."""
    x, header = read_audio(path)
    info = kit_info(kit)
    return ogg_bytes(x, header.sample_rate, {"title": f"{info['name']} (preview)", "artist": str(info["author"] or ""),
                                             "license": str(info["licence"])})


def _table(kit: Kit) -> str:
    """files.csv: what each file is, how clean and how loud."""
    out = io.StringIO(newline="")
    table = csv.writer(out, lineterminator="\r\n")
    table.writerow(["path", "drum", "articulation", "layer", "round_robin", "mics", "grade", "peak_dbfs",
                    "true_peak_dbtp", "momentary_lufs"])
    for shot in kit.one_shots:
        for file in (*shot.files, *shot.untouched):
            table.writerow([hits_csv.cell(value) for value in (
                file.path, shot.drum, shot.articulation, shot.layer, shot.round_robin, "; ".join(file.mics),
                None if file.processed else file.grade, file.peak_dbfs, file.true_peak_dbtp, file.momentary_lufs)])
    for each in kit.prints:
        table.writerow([hits_csv.cell(value) for value in (
            each.path, each.drum, each.articulation, each.layer, each.round_robin, "; ".join(each.mics), None,
            each.peak_dbfs, each.true_peak_dbtp, each.momentary_lufs)])
    return out.getvalue()
