"""The commands, each a thin function: heavy imports stand inside, so that ``--help`` answers at once."""

from __future__ import annotations

import os
import shlex
import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from oneshot.cli.console import beside, kit_there, plainly, show, show_json, there, warn
from oneshot.core.progress import watched
from oneshot.core.version import __version__

if TYPE_CHECKING:
    from collections.abc import Sequence

    from oneshot.config.recording_list import Wanted
    from oneshot.core.records.kit import Kit
    from oneshot.core.records.session import Problem, Session

app = typer.Typer(
    name="oneshot",
    help="Builds playable multi-mic drum one-shot kits from multitrack recordings.",
    epilog="Start with: oneshot demo 'demo session', then: oneshot build 'demo session' 'demo kit'",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)

SessionPath = Annotated[Path, typer.Argument(metavar="SESSION", show_default=False,
                                             help="Folder of the session: one take, or a folder per take.")]
KitPath = Annotated[Path, typer.Argument(metavar="KIT", show_default=False, help="Folder of the kit.")]
AsJson = Annotated[bool, typer.Option("--json", help="Write the result as JSON, for programs.")]
Debug = Annotated[bool, typer.Option("--debug", help="Show a traceback when something goes wrong.")]


@app.callback(invoke_without_command=True)
def _top(version: Annotated[bool, typer.Option("--version", help="Show the version and stop.")] = False) -> None:
    if version:
        print(f"oneshot {__version__}")
        raise typer.Exit


@app.command(epilog="Example: oneshot check 'Tuesday session'")
def check(session: SessionPath, as_json: AsJson = False,
          write: Annotated[bool, typer.Option("--write", help="Also draft SESSION/session.toml to edit; never "
                                                              "overwrites an existing one.")] = False,
          headers_only: Annotated[bool, typer.Option("--headers-only", help="Read names and headers only; do not "
                                                                            "listen.")] = False,
          wanted: Annotated[str | None, typer.Option("--list", metavar="FILE",
                                                     help="Also hold the session against a recording list: a TOML "
                                                          "file of docs/check.md, or 'usual'.")] = None,
          kit: Annotated[Path | None, typer.Option("--kit", metavar="KIT",
                                                   help="With --list: count in what this kit has already, by its names "
                                                        "of drums and articulations.")] = None,
          watch: Annotated[bool, typer.Option("--watch", help="Stay, and check each take once its files no longer "
                                                              "grow; Ctrl+C ends it.")] = False,
          jobs: Annotated[int | None, typer.Option(min=1, metavar="N", help="Workers; default: one per core.")] = None,
          debug: Debug = False) -> None:
    """Check a session: what was recorded, and what is wrong with it.

    Takes, mics, roles, pairs and what to record next; then it listens to every file once: a track sheet with levels,
    polarity and distances, and what is wrong, the worst first, each with its place and what to do: clipping, dropouts,
    cuts, compressors, hum, polarity, files that are not in time, drift or have the wrong name, gain that was moved,
    drums that went flat. Once all is reported it scans the takes for the build that follows, which starts from
    there. Changes nothing in the session; --write drafts session.toml.
    """
    with plainly(debug=debug):
        from oneshot.core.errors import SessionError, SettingsError
        from oneshot.core.files import check_writable, write_atomic
        from oneshot.session.open import draft_toml, open_session
        from oneshot.session.processed_tracks import open_tracks

        if watch:
            if as_json or write or headers_only or wanted is not None or kit is not None:
                raise SettingsError("--watch listens to takes as they come in and goes with --jobs alone: leave out "
                                    "the other options")
            _watch(session, jobs or os.cpu_count() or 1)
            return
        told: list[Problem] = []
        asked = _listed(wanted, kit, told)
        draft = session / "session.toml"
        if write and os.path.lexists(draft):
            raise SessionError(f"{draft} exists already: edit it, or move it away and run check --write again")
        if write and session.is_dir():
            check_writable(draft)
        found = open_session(session)

        from oneshot.kit.report.mixes import tracks_lines, tracks_record
        from oneshot.kit.report.text import session_lines, session_record

        tracks = None if found.processed is None else open_tracks(found, found.root / found.processed, {})
        if write:
            write_atomic(draft, draft_toml(found))
        if not as_json:
            show([*session_lines(found, advice=asked is None), *tracks_lines(tracks)])
            sys.stdout.flush()
        heard = None
        if not headers_only:
            from oneshot.checking import checked
            from oneshot.kit.report.findings import checked_lines, checked_record

            with watched(sys.stderr, silent=as_json) as progress:
                heard = checked(found, jobs=jobs or os.cpu_count() or 1, progress=progress)
        there_is = None
        if asked is not None:
            from oneshot import pipeline
            from oneshot.kit.report.coverage import coverage_lines, coverage_record

            with watched(sys.stderr, silent=as_json) as progress:
                there_is = pipeline.covered(found, asked[0], kit=asked[1], jobs=jobs or os.cpu_count() or 1,
                                            progress=progress)
        if as_json:
            show_json({**session_record(found), **tracks_record(tracks),
                       **({} if heard is None else checked_record(found, heard)),
                       **({} if there_is is None else {"list": coverage_record(there_is)})})
        else:
            show([*([] if heard is None else checked_lines(found, heard)),
                  *([] if there_is is None else coverage_lines(there_is, None if kit is None else kit.name))])
            warn([*told, *found.problems, *(() if tracks is None else tracks.problems)])
            if write:
                show([("text", ""), ("text", f"Drafted {draft}: edit it, then run check again.")])
        if heard is not None and asked is None:  # with a list the build's analysis was done, and is stored
            _scan_for_build(found, jobs or os.cpu_count() or 1, silent=as_json)


def _scan_for_build(session: Session, jobs: int, *, silent: bool) -> None:
    """Keep the scan that a build starts from; what keeps it from that is told, and takes nothing from the report."""
    from oneshot.analysis import scan_takes
    from oneshot.core.errors import OneshotError
    from oneshot.core.records.session import Problem

    sys.stdout.flush()
    try:
        with watched(sys.stderr, silent=silent) as progress:
            scan_takes(session, jobs=jobs, progress=progress)
    except OneshotError as error:
        warn([Problem("scan for a build", str(error), "a build will stop at the same; the report is whole")])


def _listed(wanted: str | None, kit: Path | None, told: list[Problem]) -> tuple[Sequence[Wanted], Kit | None] | None:
    """The recording list asked for and the kit that it counts in; what is wrong with the list goes to ``told``."""
    from oneshot.config.recording_list import USUAL, read_list
    from oneshot.core.errors import SettingsError
    from oneshot.kit import read_kit

    if wanted is None:
        if kit is not None:
            raise SettingsError("--kit goes with a recording list: add --list usual, or --list and a file of your own")
        return None
    if kit is not None:
        kit_there(kit)
    return USUAL if wanted == "usual" else read_list(Path(wanted), told), None if kit is None else read_kit(kit)


def _watch(session: Path, jobs: int) -> None:
    """Check takes as they come in, until somebody ends it."""
    from oneshot.checking import checked
    from oneshot.checking.watch import takes_as_they_come
    from oneshot.cli.console import say_error
    from oneshot.core.errors import OneshotError
    from oneshot.kit.report.findings import checked_lines

    there(session)
    show([("head", f"Watching {session}: each take is checked once its files no longer grow. Ctrl+C ends it.")])
    sys.stdout.flush()
    for come in takes_as_they_come(session):
        if isinstance(come, OneshotError):
            say_error(str(come), debug=False)
            continue
        try:
            with watched(sys.stderr) as progress:
                found = checked(come, jobs=jobs, progress=progress)
            show(checked_lines(come, found))
        except OneshotError as error:  # a take that is still being copied
            say_error(str(error), debug=False)
        sys.stdout.flush()


@app.command(epilog="Example: oneshot build 'Tuesday session' 'Tuesday kit' --only kick")
def build(session: SessionPath, kit: KitPath,
          recipe: Annotated[Path | None, typer.Option(metavar="FILE", help="Settings of the kit: a recipe.toml, or one "
                                                                            "of docs/recipe.md by name.")] = None,
          only: Annotated[str | None, typer.Option(metavar="DRUM", help="Build this drum only.")] = None,
          prints_only: Annotated[bool, typer.Option("--prints-only", help="Write prints and no samples or "
                                                                          "mappings.")] = False,
          last: Annotated[Path | None, typer.Option(metavar="ZIP", help="Lock names, layers, velocities and keys to "
                                                                        "this release; default: the release the kit "
                                                                        "is locked to, if any.")] = None,
          processed: Annotated[Path | None, typer.Option(metavar="FOLDER", help="Also cut from processed tracks of the "
                                                                                "same takes: buses, returns, mixed "
                                                                                "mics, one folder per take; default: "
                                                                                "those of session.toml or of the "
                                                                                "last build.")] = None,
          fresh: Annotated[bool, typer.Option("--fresh", help="Analyse everything again; ignore the cache.")] = False,
          jobs: Annotated[int | None, typer.Option(min=1, metavar="N", help="Workers; default: one per core.")] = None,
          as_json: AsJson = False, debug: Debug = False) -> None:
    """Build a kit from a session.

    Detects the hits, sorts them by drum, articulation and velocity, selects the cleanest, cuts all mics of a hit
    at the same frames and writes the kit: samples, mappings, manifest and a report page.

    If KIT is an existing kit it is rebuilt and keeps its recipe.toml and corrections.toml and, if it was released, its
    names. Any other existing folder is refused.
    """
    with plainly(debug=debug):
        from oneshot import pipeline

        with watched(sys.stderr, silent=as_json) as progress:
            built = pipeline.build(session, kit, recipe_path=recipe, only=only, fresh=fresh, jobs=jobs,
                                   progress=progress, last=last, processed=processed, prints_only=prints_only)

        from oneshot.kit.report.text import summary_lines, summary_record

        summary = summary_record(built.kit, folder=built.folder, files=built.files, size_bytes=built.size_bytes)
        if as_json:
            show_json(summary)
        else:
            show(summary_lines(summary))
            warn(built.kit.problems)


@app.command(epilog="Example: oneshot batch Monday Tuesday --out kits")
def batch(sessions: Annotated[list[Path], typer.Argument(metavar="SESSION...", show_default=False,
                                                         help="Folders of the sessions.")],
          out: Annotated[Path, typer.Option(metavar="FOLDER", show_default=False,
                                            help="Folder for the kits, one folder each.")],
          recipe: Annotated[Path | None, typer.Option(metavar="FILE", help="One recipe.toml for all of them.")] = None,
          fresh: Annotated[bool, typer.Option("--fresh", help="Analyse everything again; ignore the cache.")] = False,
          jobs: Annotated[int | None, typer.Option(min=1, metavar="N", help="Workers; default: one per core, and one "
                                                                            "for each build elsewhere.")] = None,
          scheduler: Annotated[str | None, typer.Option(metavar="ADDRESS", help="Build on the workers of this Dask "
                                                                                "scheduler.")] = None,
          as_json: AsJson = False, debug: Debug = False) -> None:
    """Build a kit from each of many sessions.

    Several at once, each kit named after its session's folder. If a session fails, the others still run; the exit code
    is then 1. Started again, the command goes on where it stopped: kits that are finished and up to date are left as
    they are.
    """
    with plainly(debug=debug):
        from oneshot import batch as many

        rows = many.places(sessions, out)
        with watched(sys.stderr, silent=as_json) as progress:
            outcomes = many.build_all(rows, recipe_path=recipe, fresh=fresh, jobs=jobs, scheduler=scheduler,
                                      progress=progress)

        from oneshot.kit.report.side_by_side import batch_lines

        record = {"out": str(out), "sessions": [many.record(outcome) for outcome in outcomes]}
        if as_json:
            show_json(record)
        else:
            show(batch_lines(record))
        if any(outcome.error is not None for outcome in outcomes):
            raise typer.Exit(1)


@app.command(epilog="Example: oneshot compare 'Tuesday session' --out excerpts")
def compare(session: SessionPath,
            out: Annotated[Path | None, typer.Option(metavar="FOLDER", help="Also write excerpts there: the same hits "
                                                                            "of each drum from each mic and take, "
                                                                            "level-matched, and a page that switches "
                                                                            "between them.")] = None,
            fresh: Annotated[bool, typer.Option("--fresh", help="Analyse everything again; ignore the "
                                                                "cache.")] = False,
            jobs: Annotated[int | None, typer.Option(min=1, metavar="N", help="Workers; default: one per "
                                                                              "core.")] = None,
            as_json: AsJson = False, debug: Debug = False) -> None:
    """Compare mics and takes, level-matched.

    The same hits of like strength in each mic of a drum, overheads and rooms, in each take: level, delay and distance,
    direct and room sound, decay, brightness, low end, crest factor, compression; what two mics do together; which few
    mics carry most of the balance, and what each mic costs.
    """
    with plainly(debug=debug):
        there(session)
        from oneshot import comparison

        with watched(sys.stderr) as progress:
            found = comparison.compare_session(session, out=out, fresh=fresh, jobs=jobs or os.cpu_count() or 1,
                                               progress=progress)
        record = {**comparison.comparison_record(found), "out": None if out is None else str(out),
                  "page": None if out is None else str(out / comparison.PAGE)}
        if as_json:
            show_json(record)
        else:
            show(comparison.compare_lines(record))
            warn(found.problems)


@app.command(epilog="Example: oneshot verify 'Tuesday kit'")
def verify(kit: KitPath, as_json: AsJson = False, debug: Debug = False) -> None:
    """Measure a kit, or the zip of a packed one, again and hold it against its manifest.

    Reads and measures every file; each difference is reported, and the exit code is 1 if there is one.
    """
    with plainly(debug=debug):
        there(kit)
        from oneshot.kit.report.text import difference_lines
        from oneshot.kit.verify import verify as measured_again

        found = measured_again(kit)
        if as_json:
            show_json({"kit": str(kit), "differences": [asdict(difference) for difference in found]})
        else:
            show(difference_lines(kit, [(item.path, item.what, item.expected, item.found) for item in found]))
            if any(item.what == "sha256" for item in found):
                show([("text", ""), ("text", "Processed the files yourself? Run oneshot remeasure.")])
        if found:
            raise typer.Exit(1)


@app.command(epilog="Example: oneshot remeasure 'Tuesday kit' --from equalised")
def remeasure(kit: KitPath,
              source: Annotated[Path | None, typer.Option("--from", metavar="FOLDER", help=(
                  "Folder of the processed files, named as in the kit; default: the kit itself."))] = None,
              session: Annotated[Path | None, typer.Option(metavar="SESSION", help="Folder of the recordings, if they "
                                                                                   "were moved.")] = None,
              align: Annotated[bool, typer.Option("--align", help="Remove the latency that processing added to the "
                                                                  "files.")] = False,
              as_json: AsJson = False, debug: Debug = False) -> None:
    """Update a kit whose files were processed in other software.

    Equalise, compress or level the files of a kit, keep their names, rate, channels and length, then run this: levels,
    pitch, decay, velocities, mappings, tables and report are updated, each file's latency is reported, and figures that
    can no longer be checked are marked. The kit is replaced as a whole.
    """
    with plainly(debug=debug):
        kit_there(kit)
        from oneshot.core.user_state import session_of
        from oneshot.kit import remeasure as remeasuring
        from oneshot.kit.report.heard import remeasured_lines

        made = remeasuring.remeasure(kit, source=source, session=session or session_of(kit), align=align)
        if as_json:
            show_json(remeasuring.record(made))
        else:
            show(remeasured_lines(remeasuring.record(made)))
            warn(made.problems)


@app.command(epilog="Example: oneshot preview 'Tuesday kit' --take 'take 2'")
def preview(kit: KitPath,
            midi: Annotated[Path | None, typer.Option(metavar="FILE", help="Play this MIDI file.")] = None,
            take: Annotated[str | None, typer.Option(metavar="NAME", help="Replay this take through the kit and "
                                                                          "compare it with the recording.")] = None,
            session: Annotated[Path | None, typer.Option(metavar="SESSION", help="Folder of the recordings, if they "
                                                                                 "were moved.")] = None,
            out: Annotated[Path | None, typer.Option(metavar="FILE", help="WAV to write; default: 'KIT preview.wav' "
                                                                          "beside the kit.")] = None,
            as_json: AsJson = False, debug: Debug = False) -> None:
    """Render a preview of a kit to a WAV file.

    Plays a built-in groove, a MIDI file, or a take of the session: layers, round robins, chokes and balance as in the
    mappings, at -16 LUFS with true peaks below -1 dBTP. Of a kit with nothing but prints, the best of each layer in
    turn.
    """
    with plainly(debug=debug):
        kit_there(kit)
        from oneshot.core.errors import SettingsError
        from oneshot.core.user_state import session_of
        from oneshot.kit.playback import preview as playing
        from oneshot.kit.report.heard import preview_lines

        if midi is not None and take is not None:
            raise SettingsError("--midi and --take cannot be used together: give one of them")
        target = out or beside(kit, " preview.wav")
        made = playing.preview(kit, target, midi=midi, take=take, session_path=session or session_of(kit))
        if as_json:
            show_json(playing.record(made))
        else:
            show(preview_lines(playing.record(made)))
            warn(made.problems)


@app.command(epilog="Example: oneshot pack 'Tuesday kit' --licence cc-by-4.0 --yes")
def pack(kit: Annotated[Path, typer.Argument(metavar="KIT|SESSION", show_default=False,
                                             help="Folder of the kit; or of the session, to release its "
                                                  "recordings.")],
         licence: Annotated[str | None, typer.Option(metavar="WHICH", help="cc0, cc-by-4.0, music (in any music, never "
                                                                           "passed on as samples) or a text file; "
                                                                           "default: that of the recipe.")] = None,
         version: Annotated[str | None, typer.Option(metavar="TEXT", help="Version of this release.")] = None,
         last: Annotated[Path | None, typer.Option(metavar="ZIP", help="Previous release, to list changes against; "
                                                                       "default: that the kit is locked to.")] = None,
         lock: Annotated[bool | None, typer.Option("--lock/--no-lock", show_default=False, help=(
             "Lock the kit to this release, so that later builds keep its names, layers, velocities and keys; the "
             "default. Use --no-lock for a trial."))] = None,
         recipe: Annotated[Path | None, typer.Option(metavar="FILE", help="For a session: name, credits, licence and "
                                                                          "balance from a recipe.toml.")] = None,
         jobs: Annotated[int | None, typer.Option(min=1, metavar="N", help="For a session: workers; default: one per "
                                                                           "core.")] = None,
         out: Annotated[Path | None, typer.Option(metavar="FILE", help="Zip to write; default: 'KIT.zip' beside "
                                                                       "the kit.")] = None,
         yes: Annotated[bool, typer.Option("--yes", help="Write the zip; without this, only list the texts that would "
                                                         "be published.")] = False,
         as_json: AsJson = False, debug: Debug = False) -> None:
    """Pack a kit, or the recordings of a session, into a zip for release.

    A kit comes with licence, credits, checksums, an audio preview and a contact sheet; a session as one file per mic,
    all of the same start and length, with a rough mix and a track sheet. The first run lists every text that would be
    published: read them, then run it again with --yes.
    """
    with plainly(debug=debug):
        there(kit)
        from oneshot.core.errors import SettingsError
        from oneshot.core.files import is_our_kit
        from oneshot.kit.release import licences
        from oneshot.kit.release import pack_kit as packing
        from oneshot.kit.report.heard import pack_lines

        if not is_our_kit(kit) and not (kit / "manifest.json").exists():
            if lock:
                raise SettingsError("--lock is for kits only: leave it out for a session")
            _pack_session(kit, out or beside(kit, ".zip"), licence=licence, version=version,
                          recipe_path=recipe, last=last, jobs=jobs, yes=yes, as_json=as_json)
            return
        if recipe is not None:
            raise SettingsError("--recipe is for sessions only: a kit uses the recipe it was built with")
        record = packing.licensed(kit, licence, version)[0]
        said, left_out, told = packing.texts_of(record), packing.left_out(kit, record), packing.told(kit, record)
        made = packing.pack_kit(kit, out or beside(kit, ".zip"), licence=licence, version=version,
                                last=last, lock=lock is not False) if yes else None
        if as_json:
            show_json({"texts": [{"what": what, "text": text} for what, text in said.rows], "left_out": left_out,
                       "told": told,
                       "pack": None if made is None else {**asdict(made), "path": str(made.path)}})
        else:
            show(pack_lines(said.rows, licences.CAUTION, None if made is None else asdict(made), left_out=left_out,
                            told=told))


def _pack_session(session: Path, out: Path, *, licence: str | None, version: str | None, recipe_path: Path | None,
                  last: Path | None, jobs: int | None, yes: bool, as_json: bool) -> None:
    """The recordings of a session given away, in as far as ``yes`` says so."""
    from oneshot.config.recipe_file import load_recipe
    from oneshot.kit.release import licences, pack_session
    from oneshot.kit.report.heard import pack_lines

    recipe, told = load_recipe(recipe_path)
    given = pack_session.prepared(session, licence=licence, version=version, recipe=recipe)
    said = pack_session.texts_of(given)
    problems = [*told, *pack_session.left_out(given)]
    made = None
    if yes:
        with watched(sys.stderr) as progress:
            made, more = pack_session.pack_session(given, out, last=last, jobs=jobs or os.cpu_count() or 1,
                                                   progress=progress)
        problems += more
    if as_json:
        show_json({"texts": [{"what": what, "text": text} for what, text in said.rows],
                   "pack": None if made is None else {**asdict(made), "path": str(made.path)}})
    else:
        show(pack_lines(said.rows, licences.CAUTION, None if made is None else asdict(made), kit=False))
        warn(problems)


@app.command(epilog="Example: oneshot review 'Tuesday kit'")
def review(kit: KitPath,
           session: Annotated[Path | None, typer.Option(metavar="SESSION", help="Folder of the recordings, if they "
                                                                                "were moved.")] = None,
           port: Annotated[int, typer.Option(min=0, max=65535, metavar="N", help="Port to serve at; default: a "
                                                                                 "free one.")] = 0,
           host: Annotated[str, typer.Option(metavar="ADDRESS", help="Address to serve at. Any other than this "
                                                                     "machine's own opens the recordings to the "
                                                                     "network.")] = "127.0.0.1",
           browser: Annotated[bool, typer.Option("--browser/--no-browser", help="Open the page.")] = True,
           debug: Debug = False) -> None:
    """See, hear and overrule a kit hit by hit.

    Opens a page in the browser, served on this machine only. Each correction is saved to the kit's corrections.toml at
    once; rebuild the kit from the page. Ctrl-C stops the server.
    """
    with plainly(debug=debug):
        kit_there(kit)
        from oneshot.core.user_state import recordings_of

        recordings = session or recordings_of(kit)
        try:
            from oneshot.review.serve import LOOPBACK, serve
        except ModuleNotFoundError as error:
            from oneshot.core.errors import WorkError

            raise WorkError(f"{error.name} is not installed: pip install 'oneshot[review]'") from None

        def tell(address: str) -> None:
            """Say where the page is, once it is there."""
            if host not in LOOPBACK:
                print("oneshot: anyone on your network who has this address can play the recordings and change the "
                      "kit; the connection is not encrypted", file=sys.stderr)
            show([("head", address), ("text", "Review page of this kit. Ctrl-C stops the server.")])
            sys.stdout.flush()

        serve(kit, session_path=recordings, host=host, port=port, browser=browser, tell=tell)


@app.command(epilog="Example: oneshot demo 'demo session'")
def demo(folder: Annotated[Path, typer.Argument(metavar="FOLDER", show_default=False,
                                                help="Folder to write; new or empty.")],
         debug: Debug = False) -> None:
    """Write the demo session.

    A drum kit in a long shed, ten mics, two takes: synthesised from a model of the room, identical every time.
    """
    with plainly(debug=debug):
        from oneshot.session.output_paths import check_outside_sessions
        from oneshot.synth import demo_session

        check_outside_sessions(folder.absolute().parent)
        with watched(sys.stderr) as progress:
            takes = demo_session(folder, progress=progress)
        kit = beside(folder, " kit")
        show([("head", f"{folder}: {len(takes)} takes"), *(("text", f"  {name}") for name in takes),
              ("text", ""), ("text", "Next:"), ("text", f"  oneshot check {shlex.quote(str(folder))}"),
               ("text", f"  oneshot build {shlex.quote(str(folder))} {shlex.quote(str(kit))}")])
