"""The fixed file names of one run: a folder that holds everything about one measurement."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from hysteresis.errors import InputError


@dataclass(frozen=True)
class RunFolder:
    """One run. The properties are paths; whether the files exist is for the caller to ask."""

    path: Path

    @property
    def bench_toml(self) -> Path:
        """The rig, its limits, output chain and camera."""
        return self.path / "bench.toml"

    @property
    def pattern_csv(self) -> Path:
        """What the rig is to play: vertices of a piecewise-linear drive."""
        return self.path / "pattern.csv"

    @property
    def pattern_wav(self) -> Path:
        """The same pattern, sampled, to play from an audio output."""
        return self.path / "pattern.wav"

    @property
    def reading_sheet_csv(self) -> Path:
        """The sheet to fill in, as a table for a spreadsheet."""
        return self.path / "reading_sheet.csv"

    @property
    def reading_sheet_pdf(self) -> Path:
        """The sheet to fill in, to print."""
        return self.path / "reading_sheet.pdf"

    @property
    def camera_log_csv(self) -> Path:
        """Spot centres in pixels, frame by frame."""
        return self.path / "camera_log.csv"

    @property
    def registration_json(self) -> Path:
        """How the camera sees the target plane: pixels to mm, lens, uncertainty."""
        return self.path / "registration.json"

    @property
    def difficult_frames_png(self) -> Path:
        """The difficult frames of a film, side by side."""
        return self.path / "difficult_frames.png"

    @property
    def quality_json(self) -> Path:
        """How good the measurement is: verdict and uncertainty budget."""
        return self.path / "quality.json"

    @property
    def typing_jsonl(self) -> Path:
        """Readings as they were typed, one line each, written at once."""
        return self.path / "typing.jsonl"

    @property
    def typed_csv(self) -> Path:
        """The filled-in reading sheet."""
        return self.path / "typed.csv"

    @property
    def recording_csv(self) -> Path:
        """Measured spots in mm, aligned to the pattern."""
        return self.path / "recording.csv"

    @property
    def model_json(self) -> Path:
        """The fitted model of this rig."""
        return self.path / "model.json"

    @property
    def planned_csv(self) -> Path:
        """The spot path that is wanted, against time."""
        return self.path / "planned.csv"

    @property
    def plain_csv(self) -> Path:
        """The spots played without compensation."""
        return self.path / "plain.csv"

    @property
    def compensated_csv(self) -> Path:
        """The spots played with compensation."""
        return self.path / "compensated.csv"

    @property
    def drive_wav(self) -> Path:
        """The compensated drive signal."""
        return self.path / "drive.wav"

    @property
    def drive_plain_wav(self) -> Path:
        """The drive signal without compensation, for comparison."""
        return self.path / "drive_plain.wav"

    @property
    def job_json(self) -> Path:
        """What an output was made from, what error it foretells, and the state it ends in."""
        return self.path / "job.json"

    @property
    def simulated_txt(self) -> Path:
        """There when the run was played on the virtual bench: its figures are simulated."""
        return self.path / "simulated.txt"

    @property
    def recheck_log_csv(self) -> Path:
        """Every recheck of this run's unit, one line each."""
        return self.path / "recheck_log.csv"

    @property
    def model_rechecked_json(self) -> Path:
        """The model with what a recheck found to have moved; model.json stays as it was fitted."""
        return self.path / "model_rechecked.json"

    @property
    def report_html(self) -> Path:
        """The report on the played path: one file, pictures inside."""
        return self.path / "report.html"

    @property
    def fit_report_html(self) -> Path:
        """The report on what the rig remembers and on its model."""
        return self.path / "fit_report.html"

    @property
    def recheck_report_html(self) -> Path:
        """The report on whether the model is still right."""
        return self.path / "recheck_report.html"


@dataclass(frozen=True)
class RecheckFolder(RunFolder):
    """A folder within a run for rechecks: files of its own, the bench and registration of the run.

    `RUN/recheck` holds the pattern for a camera, `RUN/recheck/readings` that for a person with a
    ruler, and both have a folder for each recheck, a record, named by its date.
    """

    run: RunFolder
    place: Path | None = None

    @property
    def pattern_csv(self) -> Path:
        """The recheck's pattern: a record's is that of the folder that it lies in."""
        return (self.place or self.path) / "pattern.csv"

    @property
    def bench_toml(self) -> Path:
        """The run's own."""
        return self.run.bench_toml

    @property
    def registration_json(self) -> Path:
        """The run's own."""
        return self.run.registration_json

    @property
    def recheck_json(self) -> Path:
        """What one recheck found; written last, so a record without it is not finished."""
        return self.path / "recheck.json"

    def reference_json(self, model_sha256: str) -> Path:
        """The recheck with which later ones are compared, for this model."""
        return self.path / f"reference-{model_sha256[:12]}.json"

    def record(self, name: str) -> RecheckFolder:
        """The folder of one recheck."""
        return RecheckFolder(self.path / name, self.run, self.path)


def recheck_folder(run: RunFolder, *, readings: bool = False) -> RecheckFolder:
    """Where the rechecks of a run lie: filmed, or read by a person."""
    path = run.path / "recheck"
    return RecheckFolder(path / "readings" if readings else path, run)


def open_run(path: Path | str) -> RunFolder:
    """Return the run in an existing folder that holds a bench.toml; raise `InputError` if not."""
    path = Path(path)
    if path.is_file():
        raise InputError("this is a file, not the folder of a run", file=path)
    if not path.is_dir():
        raise InputError(
            "there is no such run folder", file=path, mend=f"make it with: hysteresis new {path}"
        )
    run = RunFolder(path)
    if not run.bench_toml.is_file():
        raise InputError(
            "the folder holds no bench.toml, so it is not a run",
            file=path,
            mend=f"write one with: hysteresis new {path}",
        )
    return run


def create_run(path: Path | str) -> RunFolder:
    """Make the folder of a run, with its parents; one that is there already is kept as it is."""
    path = Path(path)
    try:
        path.mkdir(parents=True, exist_ok=True)
    except (FileExistsError, NotADirectoryError) as error:
        raise InputError(
            "a file of this name stands in the way of the run folder",
            file=path,
            mend="choose another name",
        ) from error
    return RunFolder(path)


def refuse_overwrite(path: Path | str, force: bool) -> None:
    """Raise `InputError` when `path` exists and the person did not say --force."""
    if Path(path).exists() and not force:
        raise InputError(
            "the file exists and is kept",
            file=path,
            mend="add --force to write it anew, or choose another name",
        )
