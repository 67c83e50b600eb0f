"""`hysteresis measure RUN --type` as a person meets it: typed, killed, stopped, resumed."""

from __future__ import annotations

import json
import os
import select
import signal
import subprocess
import time
from pathlib import Path

import numpy as np
import pytest
from command_line import COMMAND, Forked, call, done, refused

from hysteresis.journal import read_journal
from hysteresis.table_files import read_recording, read_typed_sheet

READINGS = 10
IMPORTED = (
    "hysteresis.bench", "hysteresis.cli.measure_typing", "hysteresis.measure.quality",
    "hysteresis.measure.typed_questions", "hysteresis.measure.typing_session",
    "hysteresis.journal", "hysteresis.plan.sheet", "hysteresis.run_folder",
    "hysteresis.table_files",
    "scipy.linalg", "soundfile", "pycparser.c_parser", "pydantic.type_adapter",
)  # fmt: skip
# places near the nominal ones of the ten steps, a repeat, a missed reading, a decimal comma
LINES = [
    "0.5 -0.5", "53,5 10", "+ 54 10.5", "1 -0.5", "", "-9.5", "53", "0 1", "note draught", "0 0.5",
    "t 2:52", "-53.5 -10.5", "-1 -1", "-0.5 -1",
]  # fmt: skip


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("typing") / "run"
    done("new", folder)
    done("plan", folder, "--kind", "reading-steps", "--readings", READINGS, "--no-wav")
    return folder


@pytest.fixture
def run(planned: Path, tmp_path: Path) -> Path:
    folder = tmp_path / "run"
    folder.mkdir()
    for name in ("bench.toml", "pattern.csv"):
        (folder / name).write_bytes((planned / name).read_bytes())
    return folder


def piped(folder: Path, lines: list[str], *more: object) -> subprocess.CompletedProcess[str]:
    """The command with these lines as its input."""
    return subprocess.run(
        [*COMMAND, "measure", str(folder), "--type", *map(str, more)],
        input="".join(f"{line}\n" for line in lines), capture_output=True, text=True, timeout=120,
    )  # fmt: skip


class Typist:
    """The command in a process of its own, on a pipe or in a terminal; or, sooner, a fork."""

    def __init__(self, folder: Path, *, terminal: bool = False, forked: bool = False) -> None:
        self.said = ""
        self.fork = Forked(["measure", str(folder), "--type"], IMPORTED) if forked else None
        if self.fork is not None:
            self.into, self.out = self.fork.into, self.fork.out
            return
        command = [*COMMAND, "measure", str(folder), "--type"]
        if terminal:
            import pty

            ours, theirs = pty.openpty()
            self.out = self.into = ours
            self.process = subprocess.Popen(
                command, stdin=theirs, stdout=theirs, stderr=theirs, start_new_session=True,
                preexec_fn=_own_terminal,
            )  # fmt: skip
            os.close(theirs)
        else:
            self.process = subprocess.Popen(
                command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT
            )
            assert self.process.stdin is not None and self.process.stdout is not None
            self.into, self.out = self.process.stdin.fileno(), self.process.stdout.fileno()

    def until(self, words: str, timeout_s: float = 60.0) -> str:
        """Read on until these words; what was said up to them."""
        end = time.monotonic() + timeout_s
        while words not in self.said:
            assert time.monotonic() < end, self.said
            if select.select([self.out], [], [], 0.2)[0]:
                try:
                    new = os.read(self.out, 65536)
                except OSError:  # the terminal's other end is closed
                    new = b""
                assert new, f"ended before {words!r}: {self.said}"
                self.said += new.decode()
        head, self.said = self.said.split(words, 1)
        return head

    def type(self, line: str) -> None:
        os.write(self.into, line.encode() + b"\n")

    def kill(self) -> None:
        if self.fork is not None:
            os.kill(self.fork.pid, signal.SIGKILL)
            assert self.fork.wait() == -signal.SIGKILL
            return
        self.process.kill()
        self.process.wait(10)


def _own_terminal() -> None:
    """Make the pseudo-terminal the one whose Ctrl-C reaches the process."""
    import fcntl
    import termios

    fcntl.ioctl(0, termios.TIOCSCTTY, 0)


def without_times(folder: Path) -> list[dict]:
    return [e for e in read_journal(folder / "typing.jsonl") if e["kind"] != "written"]


def test_typed_from_first_to_last_on_a_pipe(run: Path) -> None:
    finished = piped(run, LINES)
    assert finished.returncode == 0, finished.stdout + finished.stderr
    assert "10 steps, numbered as on reading_sheet.pdf" in finished.stdout
    for words in ("Step 1 of 10, at 0:15, at zero, after conditioning, look near 0, 0 mm",
                  "held for 6 s, look near", "reading 2 of this step", "step 4: not read",
                  "Measured from", "Next:  hysteresis fit"):  # fmt: skip
        assert words in finished.stdout, words
    sheet = read_typed_sheet(run / "typed.csv")
    assert sheet.x_mm[1] == 53.75 and sheet.repeats_x[1] == 2 and np.isnan(sheet.x_mm[3])
    assert (sheet.x_mm[4], sheet.y_mm[4]) == (-9.5, 53.0)
    assert sheet.t_s[7] == 172.0 and sheet.note[6] == "draught"
    recording = read_recording(run / "recording.csv")
    assert len(recording) == READINGS and recording.used.sum() == READINGS - 1
    # the same again has nothing left to ask, and may write its own files anew
    again = piped(run, [])
    assert again.returncode == 0 and "every step is done" in again.stdout, again.stderr


def test_killed_after_every_line_nothing_is_lost(run: Path, tmp_path: Path) -> None:
    """kill -9 after each line; in the end typed.csv is that of a session without a kill."""
    whole = tmp_path / "whole"
    whole.mkdir()
    for name in ("bench.toml", "pattern.csv"):
        (whole / name).write_bytes((run / name).read_bytes())
    assert piped(whole, LINES).returncode == 0
    for number, line in enumerate(LINES[:-1]):
        typist = Typist(run, forked=True)
        start = typist.until("> ")
        if number:
            assert "Going on:" in start or number == LINES.index("-9.5"), start
        before = len(without_times(run))
        typist.type(line)
        typist.until("> ")  # the next question: this entry is in
        typist.kill()
        entries = without_times(run)
        assert len(entries) == before + 1
        assert entries == without_times(whole)[: len(entries)]
    assert piped(run, LINES[-1:]).returncode == 0
    assert without_times(run) == without_times(whole)
    assert (run / "typed.csv").read_bytes() == (whole / "typed.csv").read_bytes()


def test_killed_in_the_middle_of_an_entry(run: Path) -> None:
    """Killed at any moment after a line is sent, and with the last line of the journal torn."""
    piped(run, LINES[:3])
    kept = without_times(run)
    for pause_s in (0.0, 0.003, 0.01, 0.03):
        typist = Typist(run, forked=True)
        typist.until("> ")
        typist.type("note here")
        time.sleep(pause_s)
        typist.kill()
        entries = without_times(run)
        assert entries[: len(kept)] == kept
        assert len(entries) - len(kept) in (0, 1)
        kept = entries
    journal = run / "typing.jsonl"
    with open(journal, "ab") as out:
        out.write(b'{"kind": "reading", "row": 3, "x_')
    finished = piped(run, ["1 -0.5", "quit"])
    assert finished.returncode == 0
    assert "cut off while it was written; type that entry again" in finished.stdout
    found = without_times(run)
    assert found[: len(kept)] == kept
    assert found[len(kept)]["kind"] == "torn" and found[len(kept) + 1]["kind"] == "reading"


def test_the_end_of_the_input_and_quit(run: Path) -> None:
    finished = piped(run, LINES[:3])
    assert finished.returncode == 130 and "Traceback" not in finished.stderr
    (line,) = finished.stderr.splitlines()
    assert "all that was typed is saved in" in line and "goes on at step 3" in line
    assert not (run / "typed.csv").exists()
    finished = piped(run, ["2 1", "quit"])
    assert finished.returncode == 0
    assert "Going on: 2 of 10 steps are saved in typing.jsonl, step 3 is next." in finished.stdout
    assert "7 of 10 steps are still open" in finished.stdout
    assert read_typed_sheet(run / "typed.csv").x_mm[2] == 2
    # and on from there, over the files it has made itself
    finished = piped(run, ["", *LINES[5:]])
    assert finished.returncode == 0, finished.stderr
    assert read_recording(run / "recording.csv").used.sum() == 9


def test_nothing_typed_is_nothing_measured(run: Path) -> None:
    finished = piped(run, ["quit"])
    assert finished.returncode == 0 and "nothing to measure" in finished.stdout
    assert not (run / "typed.csv").exists() and not (run / "recording.csv").exists()


@pytest.mark.parametrize("name", ["typed.csv", "recording.csv"])
def test_what_was_not_typed_here_is_kept(run: Path, name: str) -> None:
    (run / name).write_text("mine\n")
    said = refused(run, "measure", run, "--type")
    assert f"{name}: the file exists, was not made by typing" in said and "--force" in said
    assert (run / name).read_text() == "mine\n"
    finished = piped(run, LINES, "--force")
    assert finished.returncode == 0 and (run / name).read_text() != "mine\n"
    # mended by hand since: no longer what was typed
    (run / name).write_text((run / name).read_text() + "\n")
    assert "was not made by typing" in refused(run, "measure", run, "--type")


def test_what_cannot_be_typed(run: Path, tmp_path: Path) -> None:
    assert "measure one at a time" in refused(run, "measure", run, "--type", "--typed", "x.csv")
    pattern = (run / "pattern.csv").read_bytes()
    piped(run, LINES[:2])
    done("plan", run, "--kind", "reading-steps", "--readings", 11, "--no-wav", "--force")
    said = refused(run, "measure", run, "--type")
    assert "typing.jsonl: these readings were typed to another pattern" in said
    (run / "pattern.csv").unlink()
    assert "--kind reading-steps" in refused(run, "measure", run, "--type")
    (run / "pattern.csv").write_bytes(pattern)
    (run / "typing.jsonl").write_text("nonsense\n")
    assert "typing.jsonl, line 1" in refused(run, "measure", run, "--type")


def test_a_doubtful_value_is_asked_about_and_looked_through(run: Path) -> None:
    lines = ["0.5 -0.5", "53.5 10", "60 -0.5", "="]
    finished = piped(run, [*lines, "quit"])
    assert "x = 60 mm where about" in finished.stdout and "= to keep" in finished.stdout
    sheet = read_typed_sheet(run / "typed.csv")
    assert sheet.x_mm[2] == 60.0 and "asked about and kept" in sheet.note[2]
    journal = [json.loads(one) for one in (run / "typing.jsonl").read_text().splitlines()]
    assert journal[3]["x_mm"] == 60.0 and journal[3]["doubt"]
    # the rest; at the end it is in doubt once more, mended, and all is well
    rest = ["0.5 -0.5", "-10 53", "0 0.5", "0 0.5", "-53.5 -10.5", "-1 -1", "-0.5 -1"]
    finished = piped(run, [*rest, "go 3", "clear", "0.5 -0.5"])
    assert finished.returncode == 0, finished.stdout + finished.stderr
    assert "Looking it through, these are in doubt" in finished.stdout
    assert read_typed_sheet(run / "typed.csv").x_mm[2] == 0.5
    assert read_recording(run / "recording.csv").used.all()


def test_in_a_terminal_with_ctrl_c(run: Path) -> None:
    pytest.importorskip("pty")
    typist = Typist(run, terminal=True)
    assert "Step 1 of 10" in typist.until("x, y > ")
    typist.type("0,5 -0,5")
    assert "step 1: 0.5 -0.5 mm" in typist.until("x, y > ")
    typist.type("53")
    typist.until("y > ")
    time.sleep(0.3)  # from the prompt to reading; a Ctrl-C between them waits for the next key
    os.write(typist.into, b"\x03")
    typist.until("goes on at step 2.")
    assert typist.process.wait(20) == 130
    typist = Typist(run, terminal=True)
    head = typist.until("y > ")
    assert "step 2 is next" in head and "x = 53" in head
    typist.type("10")
    typist.until("x, y > ")
    os.write(typist.into, b"\x04")  # Ctrl-D: the end of the input
    typist.until("goes on at step 3.")
    assert typist.process.wait(20) == 130
    assert [one["kind"] for one in read_journal(run / "typing.jsonl")] == [
        "steps", "reading", "half", "reading",
    ]  # fmt: skip


def test_a_terminal_that_is_closed(run: Path) -> None:
    typist = Typist(run)
    typist.until("> ")
    typist.type(LINES[0])
    typist.until("> ")
    typist.process.send_signal(signal.SIGTERM)
    typist.process.wait(20)
    assert without_times(run)[-1] == {"kind": "reading", "row": 0, "x_mm": 0.5, "y_mm": -0.5}


def test_the_help_names_it() -> None:
    said = call("measure", "--help").stdout
    assert "--type" in said and "measure my-run --type" in said
