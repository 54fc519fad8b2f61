"""Pack: the zip that people download.

A kit as it is, measured again first, under a licence that its owner states, with credits, a table of its files, sums, a
preview to hear and a sheet to see. Every text that is published with it is listed before anything is written. The same
input makes the same bytes: no clock time, names in order, one compression.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import tempfile
import zipfile
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from oneshot import released
from oneshot.corrections_toml import load, safe_name
from oneshot.export import hits_csv, manifest, readme
from oneshot.files import sha256_of, write_atomic
from oneshot.kit_file import read_kit
from oneshot.model import Kit, KitError, SettingsError
from oneshot.preview import preview
from oneshot.sheet import contact_sheet
from oneshot.verify import SUMS, verify_kit

CC0 = ("The maker has waived all rights in this kit, as far as the law allows, by CC0 1.0 Universal: "
       "https://creativecommons.org/publicdomain/zero/1.0/")
CC_BY = ("This kit may be used, changed and passed on, also for money, by whoever names its maker, under Creative "
         "Commons Attribution 4.0 International: https://creativecommons.org/licenses/by/4.0/")
MUSIC = """You may use these sounds in music, film, games and other works, also for money, without asking and without
naming anybody.

You may not pass the sounds on as sounds: not sell, rent or give away this kit or its files, changed or not, alone or in
another collection of samples or in an instrument.

The sounds come as they are, without any warranty. Where local law gives you more than this text, the law holds."""
LICENCES: Mapping[str, tuple[str, str]] = {
    "cc0": ("CC0 1.0 Universal", CC0), "cc-by-4.0": ("Creative Commons Attribution 4.0 International", CC_BY),
    "music": ("Free in music, no resale as samples", MUSIC)}
"""Word on the command line -> (name, text in the project's own words; the two public ones by their addresses)."""

LEFT_OUT = ("corrections.toml",)
EXTRA = ("LICENCE.txt", "files.csv", "preview.wav", "sheet.png", "CHANGES.txt", released.NAME, SUMS)
CAUTION = ("Whoever played, recorded or wrote what is in here may hold rights in it. See that all of them allow this "
           "release; what the law asks differs from place to place, and proper advice is better than a guess.")


@dataclass(frozen=True, slots=True)
class Texts:
    """Every text that a pack publishes: (what it is, the text)."""

    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Pack:
    """What was written. ``frozen``: whether the kit remembers it as a release."""

    path: Path
    files: int
    size_bytes: int
    licence: str
    changes: tuple[str, ...] = ()
    frozen: bool = False


def licensed(folder: Path, licence: str | None, version: str | None) -> tuple[Kit, str, str]:
    """The kit under the licence and version it will be released with: (kit, name of the licence, its text).

    ``licence``: a word of ``LICENCES`` or the path of a text file; None: what the kit's recipe says. Raises KitError
    where the folder is no kit, SettingsError where no licence is stated or its file cannot be read.
    """
    kit = read_kit(folder)
    info = dict(manifest.kit_info(kit))
    said = licence or info["licence"]
    if not said:
        raise SettingsError("no licence is stated: choose --licence cc0, cc-by-4.0, music or a text file of your own; "
                            "none is ever assumed")
    if said in LICENCES:
        name, text = LICENCES[said]
    elif licence is not None and Path(licence).is_file():
        try:
            text = Path(licence).read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise SettingsError(f"{licence}: cannot be read as text ({error}); save it as UTF-8") from None
        name = next((line.strip() for line in text.splitlines() if line.strip()), "")
        if not name:
            raise SettingsError(f"{licence}: is empty; write the licence into it, its name in the first line")
    elif licence is not None:
        raise SettingsError(f"--licence {licence}: no such file, and none of {', '.join(LICENCES)}")
    else:
        name = text = str(said)
    info.update(licence=name, version=version or info["version"])
    return replace(kit, recipe={**kit.recipe, "kit": info}), name, text


def texts_of(kit: Kit) -> Texts:
    """Every text of a person's that the pack will publish, for its owner to read before."""
    info = manifest.kit_info(kit)
    rows = [(name, str(info[name])) for name in ("name", "version", "author", "studio", "licence") if info[name]]
    rows += [("player", str(player)) for player in info["players"]]
    rows += [("session", kit.session.name), *(("take", take.name) for take in kit.session.takes)]
    rows += [("mic", name) for name in dict.fromkeys(mic.name for take in kit.session.takes for mic in take.mics)]
    rows += [("file of the session", name) for name in sorted(
        {source.path for take in kit.session.takes for mic in take.mics for source in mic.sources})]
    return Texts(tuple(rows))


def pack_kit(folder: Path, out: Path, *, licence: str | None = None, version: str | None = None,
             last: Path | None = None, freeze: bool = False) -> Pack:
    """Write the zip of a kit.

    ``last``: the zip of the release before, against which changes are listed; None: the release that the kit
    remembers, if any. ``freeze``: let the kit remember this one (``released.json`` in its folder, the only thing that
    is changed there), so that later builds keep its names.

    Raises KitError where the kit is not what its manifest says, or ``last`` is no pack of ours; SettingsError where no
    licence is stated. Nothing is left behind then.
    """
    kit, name, text = licensed(folder, licence, version)
    faults = verify_kit(folder)
    if faults:
        raise KitError(f"{folder}: {len(faults)} things are not as its manifest says: run oneshot verify, and build "
                       "the kit again")
    earlier = released.read(folder)
    before = sums_of(last) if last is not None else (earlier.sums or None) if earlier is not None else None
    kept = released.record(kit, earlier if earlier is not None or last is None else released.read_pack(last),
                           len(load(folder / "corrections.toml").entries), str(manifest.kit_info(kit)["version"]))
    with tempfile.TemporaryDirectory(prefix=".pack-", dir=out.resolve().parent) as stage:
        made = _made(kit, folder, Path(stage), name, text)
        made[released.NAME] = Path(stage) / released.NAME
        made[released.NAME].write_text(released.to_json(kept), encoding="utf-8")
        listed = {path.relative_to(folder).as_posix(): path for path in sorted(folder.rglob("*")) if path.is_file()}
        files = {**{n: path for n, path in listed.items() if n not in (*LEFT_OUT, *EXTRA)}, **made}
        sums = {n: sha256_of(path) for n, path in sorted(files.items())}
        changes = () if before is None else tuple(_changes(before, sums))
        extra = {SUMS: "".join(f"{digest}  {n}\n" for n, digest in sums.items())}
        if before is not None:
            extra["CHANGES.txt"] = "\n".join(changes or ["Nothing but this file has changed."]) + "\n"
            extra[SUMS] += f"{hashlib.sha256(extra['CHANGES.txt'].encode()).hexdigest()}  CHANGES.txt\n"
        written = Path(stage) / "pack.zip"
        _write_zip(written, _root(kit), files, extra)
        written.replace(out)
    if freeze:
        write_atomic(folder / released.NAME, released.to_json(replace(kept, sums=sums)))
    return Pack(out, len(files) + len(extra), out.stat().st_size, name, changes, freeze)


def _root(kit: Kit) -> str:
    """The one folder in the zip: the kit's name and version, safe on every system."""
    info = manifest.kit_info(kit)
    return f"{safe_name(str(info['name'])) or 'kit'}-{safe_name(str(info['version'])) or '1'}"


def _made(kit: Kit, folder: Path, stage: Path, licence: str, text: str) -> dict[str, Path]:
    """What the pack has and the kit has not, or has otherwise."""
    contents: dict[str, bytes] = {
        "LICENCE.txt": f"{licence}\n\n{text.strip()}\n".encode() if text != licence else f"{licence}\n".encode(),
        manifest.NAME: (json.dumps(_document(kit, folder), ensure_ascii=False, allow_nan=False, indent=1)
                        + "\n").encode(),
        readme.NAME: readme.to_text(kit).encode(),
        "files.csv": _table(kit).encode(), "sheet.png": contact_sheet(kit, folder)}
    for name, content in contents.items():
        (stage / name).write_bytes(content)
    preview(folder, stage / "preview.wav")
    return {name: stage / name for name in (*contents, "preview.wav")}


def _document(kit: Kit, folder: Path) -> dict[str, Any]:
    """The kit's manifest with nothing changed but what the release says of itself."""
    document: dict[str, Any] = json.loads((folder / manifest.NAME).read_text(encoding="utf-8"))
    document["kit"] = manifest.kit_info(kit)
    return document


def _table(kit: Kit) -> str:
    """files.csv: what each file is, how clean and how loud."""
    out = io.StringIO(newline="")
    table = csv.writer(out, lineterminator="\r\n")
    table.writerow(["path", "drum", "articulation", "layer", "round_robin", "mics", "grade", "peak_dbfs",
                    "true_peak_dbtp", "momentary_lufs"])
    for shot in kit.one_shots:
        for file in (*shot.files, *shot.untouched):
            table.writerow([hits_csv.cell(value) for value in (
                file.path, shot.drum, shot.articulation, shot.layer, shot.round_robin, "; ".join(file.mics), file.grade,
                file.peak_dbfs, file.true_peak_dbtp, file.momentary_lufs)])
    return out.getvalue()


def _write_zip(path: Path, root: str, files: Mapping[str, Path], extra: Mapping[str, str]) -> None:
    """All files below one folder, in order, without clock times."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as out:
        for name in sorted({*files, *extra}):
            entry = zipfile.ZipInfo(f"{root}/{name}", (1980, 1, 1, 0, 0, 0))
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.create_system, entry.external_attr = 3, 0o644 << 16
            out.writestr(entry, extra[name].encode() if name in extra else files[name].read_bytes())


def sums_of(path: Path) -> dict[str, str]:
    """Name -> SHA-256 of every file in a pack, as its own list says. Raises KitError where it is no pack of ours."""
    try:
        with zipfile.ZipFile(path) as file:
            (name,) = (each for each in file.namelist() if each.count("/") == 1 and each.endswith(f"/{SUMS}"))
            lines = file.read(name).decode("utf-8").splitlines()
        return {line[66:]: line[:64] for line in lines}
    except (OSError, ValueError, zipfile.BadZipFile, UnicodeDecodeError) as error:
        raise KitError(f"{path}: no pack of ours ({error}); name the zip of the release before") from None


def _changes(before: Mapping[str, str], now: Mapping[str, str]) -> Iterable[str]:
    """One line a file that came, went or changed, by its sum."""
    for name in sorted({*before, *now} - {"CHANGES.txt"}):
        if name not in before:
            yield f"new      {name}"
        elif name not in now:
            yield f"gone     {name}"
        elif before[name] != now[name]:
            yield f"changed  {name}"
