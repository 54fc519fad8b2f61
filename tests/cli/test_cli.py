"""The command line: what it says, where it says it, and the exit code it leaves with."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from kits import small_kit
from pages import commands
from stage_inputs import Pier

import oneshot
from oneshot.cli import main
from oneshot.core.errors import OneshotError, SessionError
from oneshot.core.progress import ProgressLine
from oneshot.core.records.kit import Kit
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Mic, Problem, Source
from oneshot.core.user_state import remember
from oneshot.kit.report.left_out import left_out, reason_kind
from oneshot.kit.report.lines import plain, table, width
from oneshot.kit.report.text import (
    duration,
    problem_lines,
    sample_format,
    session_lines,
    size,
    summary_lines,
    summary_record,
)

ROOT = Path(__file__).resolve().parents[2]


class Pipeline(SimpleNamespace):
    """Stands in for the pipeline: keeps what it was asked, answers with a ready kit, or fails as told."""

    kit: Kit
    asked: dict[str, Any]
    error: BaseException | None = None

    def check(self, session: Path) -> Any:
        """The kit's session."""
        if self.error:
            raise self.error
        return self.kit.session

    def build(self, session: Path, kit: Path, **options: Any) -> Any:
        """The ready kit; reports some progress."""
        self.asked = {"session": session, "kit": kit, **options}
        options["progress"]("scan", 0.5)
        if self.error:
            raise self.error
        return SimpleNamespace(kit=self.kit, folder=kit, files=48, size_bytes=1_234_567)


@pytest.fixture
def pipeline(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Pipeline:
    """A pipeline that answers at once with the small kit."""
    fake = Pipeline(kit=small_kit(tmp_path / "files"), asked={})
    monkeypatch.setitem(sys.modules, "oneshot.pipeline", fake)
    monkeypatch.setattr(oneshot, "pipeline", fake, raising=False)
    monkeypatch.setattr("oneshot.session.open.open_session", fake.check)
    return fake


def run(*arguments: str) -> int:
    """Exit code of the command line."""
    with pytest.raises(SystemExit) as left:
        main(arguments)
    return int(left.value.code or 0)


def line_with(text: str, *words: str) -> str:
    """The first line that holds all the words, in single spaces."""
    lines = (" ".join(line.split()) for line in text.splitlines())
    return next(line for line in lines if all(word in line for word in words))


# ----------------------------------------------------------------------------------------------------------------- help


@pytest.mark.parametrize("arguments", [[], *([name] for name in commands())], ids=lambda word: "".join(word) or "top")
def test_help_loads_nothing_that_takes_long(arguments: list[str]) -> None:
    """Each help is there without numpy, librosa and all else that takes long to load, as a program of its own; how long
    it takes is measured by benchmark.py.
    """
    heavy = {"numpy", "scipy", "librosa", "sklearn", "soundfile", "soxr", "pyloudnorm", "jsonschema", "msgspec",
             "fastjsonschema", "tomlkit", "starlette", "uvicorn", "mido", "PIL", "oneshot.core.records",
             "oneshot.pipeline"}
    asked = f"""
import sys
from oneshot.cli import main
try:
    main({[*arguments, '--help']!r})
finally:
    print(sorted({heavy!r} & set(sys.modules)), file=sys.stderr)
"""
    done = subprocess.run([sys.executable, "-c", asked], capture_output=True, text=True, check=True, cwd=ROOT)

    assert "Usage: oneshot" in done.stdout
    assert "[]" == done.stderr.strip()


@pytest.mark.parametrize("command", ["check", "build", "batch", "compare", "verify", "remeasure", "preview", "pack"])
def test_an_error_loads_nothing_that_takes_long(command: str, tmp_path: Path) -> None:
    """A path that is not there is told without the libraries of the analysis, as a program of its own."""
    heavy = {"scipy", "librosa", "sklearn", "soxr", "pyloudnorm", "jsonschema", "starlette", "uvicorn", "mido", "PIL"}
    more = {"build": [str(tmp_path / "kit")], "batch": ["--out", str(tmp_path / "kits")]}.get(command, [])
    asked = f"""
import sys
from oneshot.cli import main
try:
    main({[command, str(tmp_path / "nowhere"), *more]!r})
finally:
    print("loaded", sorted({heavy!r} & set(sys.modules)), file=sys.stderr)
"""
    done = subprocess.run([sys.executable, "-c", asked], capture_output=True, text=True, check=False, cwd=ROOT)

    assert 1 == done.returncode
    assert "nowhere" in done.stdout + done.stderr
    assert "loaded []" in done.stderr


def test_the_version_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    """``oneshot --version`` says name and version."""
    assert run("--version") == 0
    assert capsys.readouterr().out == f"oneshot {oneshot.__version__}\n"


# ----------------------------------------------------------------------------------------------------------- exit codes


def test_an_error_is_one_line_on_stderr(pipeline: Pipeline, capsys: pytest.CaptureFixture[str]) -> None:
    """What the user can put right: one line, exit 1, no traceback, nothing on stdout."""
    pipeline.error = SessionError("loft: no sound files in it:\nchoose the folder that holds the takes")

    assert run("build", "loft", "kit") == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert err == "oneshot: loft: no sound files in it: choose the folder that holds the takes\n"


def test_debug_adds_the_traceback(pipeline: Pipeline, capsys: pytest.CaptureFixture[str]) -> None:
    """``--debug`` shows where it happened, and the line still comes last."""
    pipeline.error = OneshotError("no")

    assert run("build", "loft", "kit", "--debug") == 1
    err = capsys.readouterr().err
    assert "Traceback (most recent call last)" in err
    assert err.endswith("oneshot: no\n")


def test_a_full_disk_is_one_line_too(pipeline: Pipeline, capsys: pytest.CaptureFixture[str]) -> None:
    """Errors of the machine name the file and the reason."""
    pipeline.error = OSError(28, "No space left on device", "kit/samples")

    assert run("build", "loft", "kit") == 1
    assert capsys.readouterr().err == "oneshot: kit/samples: No space left on device\n"


def test_an_interruption_leaves_with_130(pipeline: Pipeline, capsys: pytest.CaptureFixture[str]) -> None:
    """Ctrl-C is no error of the session: 130, and no traceback."""
    pipeline.error = KeyboardInterrupt()

    assert run("build", "loft", "kit") == 130
    assert capsys.readouterr().err == "oneshot: interrupted\n"


def test_a_mistake_in_the_program_is_not_hidden(pipeline: Pipeline) -> None:
    """What is nobody's input surfaces as it is."""
    pipeline.error = ZeroDivisionError("a bug")

    with pytest.raises(ZeroDivisionError, match="a bug"):
        main(["build", "loft", "kit"])


@pytest.mark.parametrize("arguments", [["build"], ["build", "a"], ["bild"], ["build", "a", "b", "--jobs", "0"],
                                       ["check", "a", "--nonsense"]])
def test_wrong_usage_leaves_with_2(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    """A missing argument, an unknown command or option, a value out of range."""
    assert run(*arguments) == 2
    assert capsys.readouterr().out == ""


def test_an_error_cannot_speak_to_the_terminal(pipeline: Pipeline, capsys: pytest.CaptureFixture[str]) -> None:
    """Escape sequences in a name are shown, not obeyed."""
    pipeline.error = SessionError("\x1b[2Jloft: gone")

    assert run("check", "loft") == 1
    assert capsys.readouterr().err == "oneshot: \ufffd[2Jloft: gone\n"


# ---------------------------------------------------------------------------------------------------------------- build


def test_build_hands_its_options_on(pipeline: Pipeline, tmp_path: Path) -> None:
    """Every option arrives where the work is done."""
    assert run("build", "loft", "kit", "--recipe", "my.toml", "--only", "kick", "--last", "old.zip", "--fresh",
               "--jobs", "2", "--processed", "stems", "--prints-only") == 0
    asked = {key: value for key, value in pipeline.asked.items() if key != "progress"}
    assert asked == {"session": Path("loft"), "kit": Path("kit"), "recipe_path": Path("my.toml"), "only": "kick",
                     "fresh": True, "jobs": 2, "last": Path("old.zip"), "processed": Path("stems"),
                     "prints_only": True}


def test_the_summary_says_what_came_out(pipeline: Pipeline, capsys: pytest.CaptureFixture[str]) -> None:
    """Drums, layers, round robins, grades, span, home mic; what was left out and why; where things are."""
    assert run("build", "loft", "My kit") == 0
    out, err = capsys.readouterr()

    assert line_with(out, "kick", "hit") == "kick hit 36 9 9 - - - 3 3 4 5 - - 16.5 Kick In"
    assert line_with(out, "side stick") == "side stick 37 9 6 - 3 - 2 3 2 4 - - 16.5"
    assert line_with(out, "Left out") == "Left out: 3 of 27 hits"
    assert line_with(out, "too much bleed") == "3 too much bleed"
    assert line_with(out, "48 files") == "My kit: 48 files, 1.2 MB"
    assert line_with(out, "report.html") == f"report {Path('My kit/report.html')}"
    assert line_with(out, "kit.sfz") == f"mapping {Path('My kit/mappings/kit.sfz')}"
    assert "1 of the kept hits is below the required grade" in out
    assert line_with(out, "kick replacement").endswith("cleanest of 9, nothing in its tail")
    assert line_with(err, "clips") == "OH L, OH R: clips 3 times"


def test_columns_stand_under_each_other(pipeline: Pipeline, capsys: pytest.CaptureFixture[str]) -> None:
    """The table is aligned: each row is as wide up to its home mic as the head."""
    run("build", "loft", "kit")
    lines = capsys.readouterr().out.splitlines()
    head = next(line for line in lines if line.startswith("drum"))

    assert next(line for line in lines if line.startswith("kick")).index("Kick In") == head.index("home mic")
    assert next(line for line in lines if line.startswith("snare")).index("Snare Top") == head.index("home mic")


def test_build_as_json_is_json_alone(pipeline: Pipeline, capsys: pytest.CaptureFixture[str]) -> None:
    """Nothing but one JSON document on stdout, nothing on stderr; the same figures as the text."""
    assert run("build", "loft", "kit", "--json") == 0
    out, err = capsys.readouterr()
    record = json.loads(out)

    assert err == ""
    assert record["drums"][0]["grades"] == {"A": 4, "B": 5, "C": 0, "D": 0}
    assert record["left_out"] == {"too much bleed": 3}
    assert record["problems"][1] == {"where": "OH L", "what": "clips 3 times", "todo": "take the gain down"}
    assert (record["files"], record["size_bytes"], record["kept"], record["hits"]) == (48, 1_234_567, 24, 27)


def test_a_kit_without_drums_says_so(pipeline: Pipeline, tmp_path: Path) -> None:
    """Nothing found is said in words, and no mapping is pointed at."""
    empty = replace(pipeline.kit, drums=(), hits=(), one_shots=(), prints=())
    text = "\n".join(line for _, line in summary_lines(summary_record(empty, folder=tmp_path, files=3, size_bytes=900)))

    assert "No drum was found." in text
    assert "kit.sfz" not in text
    assert "3 files, 0.9 kB" in text


# ---------------------------------------------------------------------------------------------------------------- check


def test_check_shows_mics_and_what_to_record(pipeline: Pipeline, capsys: pytest.CaptureFixture[str]) -> None:
    """A row for each mic, and strokes to record for each drum that has a close mic."""
    assert run("check", "loft", "--headers-only") == 0
    out = capsys.readouterr().out

    assert out.startswith("Barn: 1 take\n")
    assert line_with(out, "4 mics") == "take 1 0:29, 4 mics, 48 kHz, 24 bit"
    assert line_with(out, "OH L") == "OH L overhead - - OH, L - take 1/OH L.wav"
    assert line_with(out, "kick: ").startswith("kick: 40 to 80 single hits, soft to hard, 3 s of decay each")


def test_check_as_json(pipeline: Pipeline, capsys: pytest.CaptureFixture[str]) -> None:
    """The session as programs read it."""
    assert run("check", "loft", "--json", "--headers-only") == 0
    record = json.loads(capsys.readouterr().out)

    assert [mic["role"] for mic in record["takes"][0]["mics"]] == ["close", "close", "overhead", "overhead"]
    assert record["takes"][0]["sample_rate"] == 48000


def test_check_tells_what_is_missing(pipeline: Pipeline) -> None:
    """Without overheads, and without any close mic, the advice says so first."""
    take = pipeline.kit.session.takes[0]
    room = Mic("Far", Role.ROOM, sources=(Source("Far.wav", 0, 0, 1), Source("Far 2.wav", 0, 9, 1)))
    session = replace(pipeline.kit.session, takes=(replace(take, mics=(room,), ignored=((0, 96000),)),))
    text = "\n".join(line for _, line in session_lines(session))

    assert "Overheads: without them" in text
    assert "Close mics: without them" in text
    assert "left out by session.toml: 0:02" in text
    assert "Far.wav and 1 more" in text


def test_a_folder_that_is_no_kit_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A session given in place of its kit: not that its recordings are unknown."""
    for command in ("review", "preview", "remeasure"):
        assert 1 == run(command, str(tmp_path))
        assert f"{tmp_path} is no kit, it has no manifest.json" in capsys.readouterr().err


def test_where_moved_recordings_were_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The kit remembers the place, also when nothing is there any more; of one it never knew it says that."""
    for name in ("kit", "other", "session"):
        (tmp_path / name).mkdir()
    (tmp_path / "kit" / "manifest.json").write_text("{}", encoding="utf-8")
    (tmp_path / "other" / "manifest.json").write_text("{}", encoding="utf-8")
    remember(tmp_path / "kit", tmp_path / "session")
    (tmp_path / "session").rmdir()

    assert 1 == run("review", str(tmp_path / "kit"))
    assert f"its recordings were in {tmp_path / 'session'} and are not there any more" in capsys.readouterr().err
    assert 1 == run("review", str(tmp_path / "other"))
    assert "not known on this machine: name it with --session" in capsys.readouterr().err


def test_advice_is_said_to_be_a_rule(pipeline: Pipeline) -> None:
    """It does not count what the takes hold, and says so."""
    text = "\n".join(line for _, line in session_lines(pipeline.kit.session))

    assert "For each drum, as a rule, whatever the takes hold already:" in text


def test_check_never_writes_over_a_session_file(pipeline: Pipeline, tmp_path: Path,
                                                capsys: pytest.CaptureFixture[str]) -> None:
    """``--write`` leaves a session.toml that is there alone, and says what to do."""
    mine = tmp_path / "session.toml"
    mine.write_text("# mine\n", encoding="utf-8")

    assert run("check", str(tmp_path), "--write") == 1
    assert mine.read_text(encoding="utf-8") == "# mine\n"
    assert "exists already" in capsys.readouterr().err


def test_check_writes_a_draft(pipeline: Pipeline, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """``--write`` drafts a session.toml that TOML reads."""
    import tomllib

    assert run("check", str(tmp_path), "--write", "--headers-only") == 0
    assert tomllib.loads((tmp_path / "session.toml").read_text(encoding="utf-8")) is not None
    assert f"Drafted {tmp_path / 'session.toml'}" in capsys.readouterr().out


def test_check_listens(pier: Pier, capsys: pytest.CaptureFixture[str]) -> None:
    """The second kick mic of the pier is inverted: that is said, under its heading, with what to do."""
    assert run("check", str(pier.session)) == 0
    out = capsys.readouterr().out
    assert run("check", str(pier.session), "--json") == 0
    record = json.loads(capsys.readouterr().out)

    assert line_with(out, "Kick Out: ") == "pier/Kick Out: has its polarity inverted against Kick In"
    assert out.index("Put right before you build") < out.index("has its polarity inverted")
    assert [("wrong", "pier/Kick Out")] == [(each["harm"], each["where"]) for each in record["findings"]]
    assert 0.0 == record["measured"]["pier"][0]["delay_ms"]["floor"]


@pytest.mark.parametrize("more", [["--json"], ["--write"], ["--headers-only"], ["--list", "usual"], ["--kit", "KIT"]])
def test_watching_takes_no_other_options(pier: Pier, capsys: pytest.CaptureFixture[str], more: list[str]) -> None:
    """They would have no effect: said, not passed over."""
    assert run("check", str(pier.session), "--watch", *more) == 1
    assert "goes with --jobs alone" in capsys.readouterr().err


def test_check_holds_a_session_against_a_list(pier: Pier, capsys: pytest.CaptureFixture[str]) -> None:
    """What is there, then what to play."""
    assert run("check", str(pier.session), "--headers-only", "--list", "usual") == 0
    out = capsys.readouterr().out
    assert run("check", str(pier.session), "--headers-only", "--list", "usual", "--json") == 0
    rows = json.loads(capsys.readouterr().out)["list"]

    assert line_with(out, "ride:") == "ride: nothing yet; 40 hits, soft to hard, 5 s of decay each"
    assert ["kick", "snare", "floor", "hat", "ride", "crash"] == [row["drum"] for row in rows]


def test_check_counts_a_kit_in(pier: Pier, evening: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What a session expands: the kit's share of it, in words and for programs; without a list it is refused."""
    more = ("--headers-only", "--list", "usual", "--kit", str(pier.folder))
    assert run("check", str(evening), *more) == 0
    out = capsys.readouterr().out
    assert run("check", str(evening), *more, "--json") == 0
    rows = {row["drum"]: row for row in json.loads(capsys.readouterr().out)["list"]}

    assert "Recording list, together with kit" in out
    assert ("12", "8") == tuple(line_with(out, "kick hit 40").split()[3:5])
    assert 8 == sum(rows["kick"]["in_kit"].values())
    assert run("check", str(evening), "--kit", str(pier.folder)) == 1
    assert "--kit goes with a recording list" in capsys.readouterr().err
    assert run("check", str(evening), "--list", "usual", "--kit", str(pier.session)) == 1
    assert "is no kit" in capsys.readouterr().err


# ---------------------------------------------------------------------------------------------------- words and figures


def test_reasons_are_counted_by_kind() -> None:
    """Figures and brackets do not split a reason; the most frequent comes first; none is told as such."""
    assert reason_kind("too much bleed: -12.0 dB in Snare Top") == "too much bleed"
    assert reason_kind("layer full (6 of 6)") == "layer full"
    assert reason_kind("level outside the tolerance: 3.4 dB") == "level outside the tolerance"
    assert reason_kind("3.4 dB off its layer's level") == "off its layer's level"  # as kits built before have it
    assert reason_kind("hit together with hat and kick: grade D") == "hit together with another drum"
    assert reason_kind(None) == "no reason given"


def test_left_out_is_sorted_by_count(pipeline: Pipeline) -> None:
    """The reader wants the biggest loss first."""
    hit = replace(pipeline.kit.hits[0], kept=False, reason="b")
    hits = [hit, replace(hit, reason="a: 1"), replace(hit, reason="a: 2")]

    assert list(left_out(hits).items()) == [("a", 2), ("b", 1)]


def test_cells_line_up_whatever_they_hold() -> None:
    """Wide characters take two columns, combining marks none (UAX #11); escapes are shown."""
    assert width("鼓e\u0301") == 3
    assert table([["鼓", "1"], ["abc", "22"]], right=(1,)) == ["鼓    1", "abc  22"]
    assert plain("a\x1b\nb\u202e\ud800 \u00a0") == "a\ufffd\ufffdb\ufffd\ufffd \u00a0"


@pytest.mark.parametrize(("expected", "found"), [
    ("0:07", duration(6.6)), ("1:00", duration(59.9)), ("1:02:03", duration(3723)), ("1.2 MB", size(1_234_567)),
    ("0.9 kB", size(900)), ("24 bit", sample_format("PCM_24")), ("32 bit float", sample_format("FLOAT")),
])
def test_figures_are_said_as_people_say_them(expected: str, found: str) -> None:
    """Times, sizes and formats."""
    assert expected == found


def test_problems_that_differ_in_place_are_told_once() -> None:
    """Five mics with one fault make one warning."""
    lines = [text for _, text in problem_lines([Problem(f"mic {i}", "clips", "turn down") for i in range(5)])]

    assert lines == ["", "Warnings: 1", "  mic 0, mic 1, mic 2, mic 3 and 1 more: clips", "      turn down"]
    assert problem_lines([]) == []


class Screen:
    """A stream that is or is not a terminal, and keeps what was written."""

    def __init__(self, *, terminal: bool) -> None:
        self.terminal, self.text = terminal, ""

    def isatty(self) -> bool:
        """Whether it claims to be a terminal."""
        return self.terminal

    def write(self, text: str) -> int:
        """Keep the text."""
        self.text += text
        return len(text)

    def flush(self) -> None:
        """Nothing to do."""


def test_progress_shows_on_a_terminal_only(monkeypatch: pytest.MonkeyPatch) -> None:
    """A log file gets no bars; a terminal gets one line, cleared at the end."""
    monkeypatch.setenv("TERM", "xterm")
    log, screen = Screen(terminal=False), Screen(terminal=True)
    for stream in (log, screen):
        shown = ProgressLine(stream)  # type: ignore[arg-type]
        shown("scan", 0.25)
        shown("scan", 1.5)
        shown.clear()

    assert log.text == ""
    assert "scan         [======                  ]  25%  0:00" in screen.text
    assert "100%" in screen.text
    assert screen.text.endswith("\r\x1b[K")
    assert "\n" not in screen.text


def test_no_color_is_respected(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """Colour where the terminal wants it, none with NO_COLOR (no-color.org), and the words stay the same."""
    from oneshot.cli.console import show

    monkeypatch.setenv("TERM", "xterm")
    coloured, bare = Screen(terminal=True), Screen(terminal=True)
    show([("head", "Left out"), ("text", "")], coloured)  # type: ignore[arg-type]
    monkeypatch.setenv("NO_COLOR", "1")
    show([("head", "Left out"), ("text", "")], bare)  # type: ignore[arg-type]

    assert bare.text == "Left out\n\n"
    assert coloured.text.startswith("\x1b[1mLeft out")
