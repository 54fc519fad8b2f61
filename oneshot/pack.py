"""Pack: the zip that people download.

A kit as it is, measured again first, under a licence that its owner states, with credits, a table of its files, sums, a
preview to hear and a sheet to see. Every text that is published with it is listed before anything is written. The same
input makes the same bytes: no clock time, names in order, one compression.
"""

from __future__ import annotations

import csv
import io
import json
import tempfile
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from oneshot import released
from oneshot.corrections_toml import load, safe_name
from oneshot.errors import KitError
from oneshot.export import hits_csv, manifest, readme
from oneshot.files import sha256_of, write_atomic
from oneshot.giving import Pack, Texts, changes, changes_file, licence_file, licence_of, open_zip, sums_of
from oneshot.kit_file import read_kit
from oneshot.model import Kit
from oneshot.preview import preview
from oneshot.sheet import contact_sheet
from oneshot.verify import SUMS, verify_kit

LEFT_OUT = ("corrections.toml",)
EXTRA = ("LICENCE.txt", "files.csv", "preview.wav", "sheet.png", "CHANGES.txt", released.NAME, SUMS)


def licensed(folder: Path, licence: str | None, version: str | None) -> tuple[Kit, str, str]:
    """The kit under the licence and version it will be released with: (kit, name of the licence, its text).

    ``licence``: a word of ``LICENCES`` or the path of a text file; None: what the kit's recipe says. Raises KitError
    where the folder is no kit, SettingsError where no licence is stated or its file cannot be read.
    """
    kit = read_kit(folder)
    info = dict(manifest.kit_info(kit))
    name, text = licence_of(licence, str(info["licence"] or ""))
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
    kept = released.record(kit, earlier if earlier is not None or last is None else released.read_pack(last),
                           len(load(folder / "corrections.toml").entries), str(manifest.kit_info(kit)["version"]))
    with tempfile.TemporaryDirectory(prefix=".pack-", dir=out.resolve().parent) as stage:
        made = _made(kit, folder, Path(stage), name, text)
        made[released.NAME] = Path(stage) / released.NAME
        made[released.NAME].write_text(released.to_json(kept), encoding="utf-8")
        listed = {path.relative_to(folder).as_posix(): path for path in sorted(folder.rglob("*")) if path.is_file()}
        files = {**{n: path for n, path in listed.items() if n not in (*LEFT_OUT, *EXTRA)}, **made}
        now = {n: sha256_of(path) for n, path in files.items()}
        before = sums_of(last) if last is not None else _before(earlier, now)
        changed = () if before is None else tuple(changes(before, now))
        texts = {} if before is None else {"CHANGES.txt": changes_file(changed)}
        written = Path(stage) / "pack.zip"
        pack = open_zip(written, _root(kit))
        for n in sorted({*files, *texts}):
            pack.add(n, texts[n] if n in texts else files[n])
        pack.close()
        written.replace(out)
    if freeze:
        write_atomic(folder / released.NAME, released.to_json(replace(kept, sums=pack.sums, against=before or {})))
    return Pack(out, len(pack.sums) + 1, out.stat().st_size, name, changed, freeze)


def _before(earlier: released.Released | None, now: Mapping[str, str]) -> Mapping[str, str] | None:
    """The sums against which changes are listed. A release packed once more, not a byte of it changed, is no next one:
    it is held against the one before it, as it was the first time, and its zip is the same.
    """
    if earlier is None or not earlier.sums:
        return None
    return earlier.sums if any(changes(earlier.sums, now)) else earlier.against or None


def _root(kit: Kit) -> str:
    """The one folder in the zip: the kit's name and version, safe on every system."""
    info = manifest.kit_info(kit)
    return f"{safe_name(str(info['name'])) or 'kit'}-{safe_name(str(info['version'])) or '1'}"


def _made(kit: Kit, folder: Path, stage: Path, licence: str, text: str) -> dict[str, Path]:
    """What the pack has and the kit has not, or has otherwise."""
    contents: dict[str, bytes] = {
        "LICENCE.txt": licence_file(licence, text).encode(),
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
                file.path, shot.drum, shot.articulation, shot.layer, shot.round_robin, "; ".join(file.mics),
                None if file.processed else file.grade, file.peak_dbfs, file.true_peak_dbtp, file.momentary_lufs)])
    return out.getvalue()
