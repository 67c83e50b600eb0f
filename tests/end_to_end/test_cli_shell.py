"""The shell of the command line: quick to answer, one sentence for a fault, nothing half done."""

import ast
import importlib.util
import os
import resource
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from command_line import done

from hysteresis.bench import TEMPLATE, read_bench
from hysteresis.cli import COMMANDS

# (typer itself may use pydantic to check arguments; that costs some hundredths of a second.)
HEAVY = ("numpy", "pandas", "scipy", "numba", "lmfit", "matplotlib", "soundfile")
CLI = Path(importlib.util.find_spec("hysteresis.cli").origin).parent  # type: ignore
PRESENT = [name for name in COMMANDS if (CLI / f"{name}.py").is_file()]


def run(*arguments: str, **options: object) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", "from hysteresis.cli import main; main()", *arguments]
    return subprocess.run(command, capture_output=True, text=True, timeout=120, **options)  # type: ignore


def check_one_sentence(finished: subprocess.CompletedProcess[str], code: int) -> str:
    assert finished.returncode == code, finished.stderr
    assert finished.stderr.count("\n") == 1 and finished.stderr.startswith("hysteresis: ")
    assert finished.stderr.endswith(".\n")
    return finished.stderr


# ---- quick to answer -------------------------------------------------------------------------


@pytest.mark.parametrize(
    "arguments", [["--help"], ["--version"], *([n, "--help"] for n in PRESENT)]
)
def test_answering_imports_nothing_heavy(arguments: list[str]) -> None:
    code = (
        "import sys\n"
        "from hysteresis.cli import main\n"
        f"sys.argv[1:] = {arguments!r}\n"
        "try:\n    main()\n"
        "except SystemExit as stop:\n    assert not stop.code\n"
        f"print([name for name in {HEAVY!r} if name in sys.modules], file=sys.stderr)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stderr == "[]\n"
    assert "hysteresis" in done.stdout


def test_import_of_the_command_line_takes_less_than_three_tenths_of_a_second() -> None:
    def cumulative_s() -> float:
        command = [sys.executable, "-X", "importtime", "-c", "import hysteresis.cli"]
        done = subprocess.run(command, capture_output=True, text=True, check=True)
        line = next(line for line in done.stderr.splitlines() if line.endswith(" hysteresis.cli"))
        return int(line.split("|")[1]) / 1e6

    # The quickest of three: other work on the machine only ever slows it down.
    assert min(cumulative_s() for _ in range(3)) < 0.3


LIGHT = {
    "typer", "pathlib", "typing", "__future__", "dataclasses", "collections.abc", "contextlib",
    "hysteresis.cli.compare_asked", "hysteresis.cli.path_options",
}  # fmt: skip


@pytest.mark.parametrize("name", [*PRESENT, "compare_asked", "path_options"])
def test_command_files_import_only_light_modules_at_their_top(name: str) -> None:
    tree = ast.parse((CLI / f"{name}.py").read_text(encoding="utf-8"))
    imported = set()
    for node in tree.body:
        if isinstance(node, ast.Import):
            imported |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            imported.add(node.module)
    assert imported <= LIGHT


# ---- help ------------------------------------------------------------------------------------


def test_help_lists_the_commands_in_the_order_of_the_job() -> None:
    done = run("--help")
    assert done.returncode == 0
    listed = done.stdout.split("Commands:\n")[1].splitlines()
    assert [line.split()[0] for line in listed if line[2:3].strip()] == PRESENT


def test_no_command_is_missing() -> None:
    assert list(COMMANDS) == PRESENT


@pytest.mark.parametrize("name", PRESENT)
def test_help_of_each_command_has_an_example(name: str) -> None:
    assert f"hysteresis {name}" in done(name, "--help").split("Example")[1]


def test_version() -> None:
    assert run("--version").stdout == "hysteresis 0.1.0\n"


def test_unknown_command_and_option() -> None:
    assert run("measuer").returncode == 2
    done = run("new", "--no-such-option")
    assert done.returncode == 2 and "Traceback" not in done.stderr


# ---- new -------------------------------------------------------------------------------------


def test_new_writes_a_valid_bench_and_says_what_comes_next(tmp_path: Path) -> None:
    folder = tmp_path / "deep" / "run"
    done = run("new", str(folder))
    assert (done.returncode, done.stderr) == (0, "")
    assert f"hysteresis plan {folder}" in done.stdout
    assert os.listdir(folder) == ["bench.toml"]
    assert read_bench(folder / "bench.toml").name == "bench one"


def test_new_never_writes_over_a_bench_unasked(tmp_path: Path) -> None:
    bench = tmp_path / "bench.toml"
    bench.write_text("mine")
    assert "--force" in check_one_sentence(run("new", str(tmp_path)), 2)
    assert bench.read_text() == "mine"
    assert run("new", str(tmp_path), "--force").returncode == 0
    assert bench.read_text() == TEMPLATE


def test_new_on_a_file(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("mine")
    assert "stands in the way" in check_one_sentence(run("new", str(tmp_path / "file")), 2)
    assert (tmp_path / "file").read_text() == "mine"


def test_a_terminal_without_our_signs_gets_question_marks(tmp_path: Path) -> None:
    environment = {**os.environ, "PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"}
    done = run("new", str(tmp_path / "µ"), env=environment)
    assert done.returncode == 0 and "Traceback" not in done.stderr


# ---- what the machine refuses, and Ctrl-C ----------------------------------------------------


def test_a_file_that_cannot_be_written_in_full(tmp_path: Path) -> None:
    def small_files_only() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (100, 100))

    done = run("new", str(tmp_path / "run"), preexec_fn=small_files_only)
    sentence = check_one_sentence(done, 2)
    assert str(tmp_path / "run" / "bench.toml") in sentence and "file too large" in sentence
    assert os.listdir(tmp_path / "run") == []


@pytest.mark.parametrize(
    ("code", "words"),
    [
        ("errno.ENOSPC", "the disk is full; make room and try again"),
        ("errno.EACCES", "no permission; choose another folder"),
        ("errno.EROFS", "this disk can only be read"),
        ("errno.EIO", "input/output error"),
    ],
)
def test_each_refusal_of_the_machine_is_one_sentence(code: str, words: str) -> None:
    program = (
        "import errno, os\n"
        "from hysteresis import cli\n"
        "@cli.app.command('refused')\n"
        "def refused() -> None:\n"
        f"    raise OSError({code}, os.strerror({code}), 'some/file')\n"
        "cli.main()\n"
    )
    command = [sys.executable, "-c", program, "refused"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60)
    assert f"some/file: {words}" in check_one_sentence(done, 2)


def test_ctrl_c_leaves_nothing_half_written(tmp_path: Path) -> None:
    program = (
        "import time\n"
        "from hysteresis import cli\n"
        "from hysteresis.files import writing\n"
        "def slow(file: str) -> None:\n"
        "    with writing(file) as part:\n"
        "        part.write_text('half')\n"
        "        print('under way', flush=True)\n"
        "        time.sleep(60)\n"
        "cli.app.command('slow')(cli._stoppable(slow))\n"
        "cli.main()\n"
    )
    target = tmp_path / "file"
    target.write_text("old")
    process = subprocess.Popen(
        [sys.executable, "-c", program, "slow", str(target)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "under way\n"
    assert len(os.listdir(tmp_path)) == 2
    process.send_signal(signal.SIGINT)
    _, said = process.communicate(timeout=60)
    assert process.returncode == 130
    assert said == "hysteresis: stopped; nothing half-written was kept.\n"
    assert os.listdir(tmp_path) == ["file"] and target.read_text() == "old"


def test_a_fault_of_the_program_itself_is_not_hidden() -> None:
    program = (
        "from hysteresis import cli\n"
        "@cli.app.command('broken')\n"
        "def broken() -> None:\n"
        "    raise RuntimeError('a bug')\n"
        "cli.main()\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, "broken"], capture_output=True, text=True, timeout=60
    )
    assert done.returncode == 1 and "RuntimeError: a bug" in done.stderr


# ---- what the commands share -----------------------------------------------------------------


def test_tables_are_aligned_and_never_cut(capsys: pytest.CaptureFixture[str]) -> None:
    from hysteresis.cli.console import table

    table("Left", ["path", "mm"], [["plain", "0.123 ± 0.004"], ["x" * 200, "12.3 ± 0.4"]])
    lines = capsys.readouterr().out.split("\n")
    assert lines[1] == "Left"
    assert lines[4] == "plain" + " " * 195 + "  0.123 ± 0.004"
    assert lines[5] == "x" * 200 + "  " + "   12.3 ± 0.4"
    with pytest.raises(ValueError, match="2 columns"):
        table("", ["a", "b"], [["1"]])


def test_progress_without_a_terminal_is_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    from hysteresis.cli.console import progress

    with progress("Fitting", total=2) as advance:
        advance()
        advance(0.5)
    said = capsys.readouterr()
    assert said.err == "Fitting …\n" and said.out == ""


def test_progress_on_a_terminal_draws_a_bar() -> None:
    master, slave = os.openpty()
    program = (
        "from hysteresis.cli.console import progress\n"
        "with progress('Fitting', total=2) as advance:\n    advance()\n    advance()\n"
        "with progress('Waiting') as advance:\n    advance()\n"
    )
    environment = {**os.environ, "TERM": "xterm", "COLUMNS": "80"}
    process = subprocess.Popen([sys.executable, "-c", program], stderr=slave, env=environment)
    os.close(slave)
    drawn, end = b"", time.monotonic() + 60
    while time.monotonic() < end:
        try:
            piece = os.read(master, 4096)
        except OSError:  # the other end is closed
            break
        drawn += piece
        if not piece:
            break
    os.close(master)
    assert process.wait(60) == 0
    assert b"Fitting" in drawn and "━".encode() in drawn and b"Waiting" in drawn


def test_cautions_name_each_danger(capsys: pytest.CaptureFixture[str]) -> None:
    from hysteresis.cautions import CAUTIONS, caution_line
    from hysteresis.cli.console import say_cautions

    say_cautions()
    line = " ".join(capsys.readouterr().out.split())
    assert line == caution_line()
    whole = " ".join(CAUTIONS)
    for text in (line, whole):
        for word in ("still", "lowest power", "eyewear", "enclosure", "interlock", "60825-1"):
            assert word in text
        for word in ("local" if text is line else "place", "coils", "gloves", "ventilation"):
            assert word in text
        assert "ualified advice" in text
