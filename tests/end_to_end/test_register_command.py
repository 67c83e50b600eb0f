"""`hysteresis target` and `hysteresis register` as a person calls them."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from command_line import COMMAND, call, content, done, refused

cv2 = pytest.importorskip("cv2")
sys.path.insert(0, str(Path(__file__).parents[1]))

from measure.target_pictures import camera, photograph  # noqa: E402

CORNERS = ("300,650,-50,-50", "900,640,50,-50", "960,60,50,50", "350,50,-50,50")


@pytest.fixture(scope="module")
def stills(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("stills")
    out = {}
    for k, tilt in enumerate((10, 30, 35)):
        rng = np.random.default_rng(k)
        view = camera(rng, tilt_deg=tilt, turn_deg=4, distance_mm=200,
                      distortion=(-0.2, 0.06, 0, 0), size=(640, 480), focal_px=620)  # fmt: skip
        picture = photograph(view, rng=rng)
        out[f"tilt{k}"] = folder / f"tilt{k}.png"
        cv2.imwrite(str(out[f"tilt{k}"]), picture)
        if k == 0:
            out["mirror"] = folder / "mirror.png"
            cv2.imwrite(str(out["mirror"]), picture[:, ::-1])
    return out


@pytest.fixture
def bare(tmp_path: Path) -> Path:
    """A run whose camera has no fiducials."""
    run = tmp_path / "run"
    done("new", run)
    text = (run / "bench.toml").read_text()
    head, rest = text.split("fiducials = [")
    (run / "bench.toml").write_text(head + rest.split("]\n", 1)[1])
    return run


def test_the_page_is_written_once(tmp_path: Path) -> None:
    said = done("target", "--out", tmp_path / "t.pdf", "--png", tmp_path / "t.png", "--dpi", 100)
    assert "11 × 11 marks, 10 mm apart" in said and "100 mm long" in said
    assert (tmp_path / "t.pdf").read_bytes().startswith(b"%PDF")
    assert "kept" in refused(tmp_path, "target", "--out", tmp_path / "t.pdf")
    assert "16 to 160" in refused(tmp_path, "target", "--out", tmp_path / "u.pdf", "--field-mm", 7)
    assert "a4 or letter" in refused(
        tmp_path, "target", "--out", tmp_path / "u.pdf", "--paper", "b"
    )


def test_from_stills(bare: Path, stills: dict[str, Path]) -> None:
    said = done("register", bare, "--target", stills["tilt0"], "--target", stills["tilt1"],
                "--target", stills["tilt2"], "--ruler-mm", "99.5,100.0")  # fmt: skip
    assert "place uncertainty, worst corner" in said and "distortion at the picture's" in said
    assert "Next:  hysteresis measure" in said
    written = json.loads((bare / "registration.json").read_text())
    assert len(written["sources"]) == 3 and written["source"] == "target"
    assert (bare / "registration.png").stat().st_size > 10_000
    assert "kept" in refused(bare, "register", bare, "--target", stills["tilt0"])
    done("register", bare, "--target", stills["tilt0"], "--force")


def test_refusals_and_what_was_seen(bare: Path, stills: dict[str, Path], tmp_path: Path) -> None:
    finished = call("register", bare, "--target", stills["mirror"])
    assert finished.returncode == 2 and "seen mirrored" in finished.stderr
    assert "seen.png shows what was seen" in finished.stderr and "Traceback" not in finished.stderr
    assert (bare / "seen.png").stat().st_size > 10_000
    assert not (bare / "registration.json").exists()
    text = tmp_path / "text.png"
    text.write_text("no picture")
    assert "no picture" in refused(bare, "register", bare, "--target", text)
    assert "no such file" in refused(bare, "register", bare, "--target", tmp_path / "none.jpg")
    (tmp_path / "empty").mkdir()
    assert "holds no pictures" in refused(bare, "register", bare, "--target", tmp_path / "empty")
    for ruler in ("1,2,3", "a", "nan", "50"):
        words = ("register", bare, "--target", stills["tilt0"], "--ruler-mm", ruler)
        assert "ruler" in refused(bare, *words)
    assert "one way" in refused(bare, "register", bare)
    assert "one way" in refused(bare, "register", bare, "--traced", "--target", text)
    assert "belongs to --target" in refused(bare, "register", bare, "--traced", "--ruler-mm", "99")


def test_typed_points(bare: Path) -> None:
    points = [word for corner in CORNERS for word in ("--point", corner)]
    said = done("register", bare, *points)
    assert "typed points" in said and "four fiducials fit any map exactly" in said
    assert "4 numbers" in refused(bare, "register", bare, "--point", "1,2,3", "--force")
    line = [word for k in range(4) for word in ("--point", f"{k},{k},{k},{k}")]
    assert "do not fix" in refused(bare, "register", bare, *line, "--force")


def test_clicking_without_a_display(
    bare: Path, stills: dict[str, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("DISPLAY", "WAYLAND_DISPLAY"):
        monkeypatch.delenv(name, raising=False)
    if sys.platform.startswith("linux"):
        assert "no display" in refused(bare, "register", bare, "--click", stills["tilt0"])


def test_stopped_half_way(bare: Path, stills: dict[str, Path]) -> None:
    before = content(bare)
    words = [word for k in range(3) for word in ("--target", str(stills[f"tilt{k}"]))] * 10
    process = subprocess.Popen(
        [*COMMAND, "register", str(bare), *words], stderr=subprocess.PIPE, text=True
    )
    assert process.stderr is not None
    assert "Looking for the target" in process.stderr.readline()
    process.send_signal(signal.SIGINT)
    rest = process.stderr.read()
    assert process.wait(60) == 130 and "stopped" in rest and "Traceback" not in rest
    assert content(bare) == before
