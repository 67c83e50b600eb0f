"""The report's section on the measurement itself, and what `measure` and `verify` say of it."""

from __future__ import annotations

import base64
import json
import re
import subprocess
import sys
from io import BytesIO
from itertools import pairwise
from pathlib import Path
from unittest import mock

import numpy as np
import pytest
from command_line import refused
from run_on_disk import write_run

from hysteresis.errors import InputError
from hysteresis.files import sha256_of
from hysteresis.findings import gather
from hysteresis.measure.quality import Figure, Quality, read_quality, write_quality
from hysteresis.measure.quality_advice import advised, verdict
from hysteresis.measure.quality_sources import Sources
from hysteresis.report import drawing, render_html
from hysteresis.report.fit_page import fit_page
from hysteresis.report.quality_figures import quality_pictures
from hysteresis.run_folder import RunFolder
from hysteresis.uncertainty_budget import Budget, Component


def invented_quality(scatter: float = 0.02) -> Quality:
    def budget(name: str, registration: float) -> Budget:
        return Budget(
            name,
            "mm",
            (
                Component(
                    "scatter", "scatter of the frames", "A", "normal", scatter, "mm", 1.0, 99
                ),
                Component("registration", "registration <b>", "B", "normal", registration, "mm"),
                Component("rounding", "rounding of the log", "B", "rectangular", 0.0, "mm"),
            ),
        )

    s = Sources(
        sigma_mm=np.full(2, scatter), sigma_dof=99.0, step_mm=np.zeros(2), wander_mm=np.zeros(2),
        wander_dof=np.inf, frames_before=2.0, frames_after=2.0, frame_s=1 / 30,
        place_mm=np.full((2, 2), 0.03), place_dof=np.inf, place_assumed=True, scale=1e-3,
        creep_mm_s=np.zeros(2), wait_s=0.5, between_s=2.0, error_mm=np.zeros(2),
        reach_mm=np.full(2, 30.0), speed_mm_s=0.0, fast_mm_s=0.0, clock_s=1e-3, drift=None,
        trend_mm_min=np.full((2, 2), np.nan), repeats=(),
    )  # fmt: skip
    zero, place = budget("return to zero, x", 0.001), budget("place at rest, y", 0.05)
    advice = tuple(a for b in (zero, place) for a in advised(b, 0.1, s, "camera"))
    return Quality(
        source="camera",
        tolerance_mm=0.1,
        figures=(Figure("noise_floor", "noise floor", (0.02, 0.02), "mm", "<i>assumed</i>"),),
        return_to_zero=zero,
        place=place,
        moving=None,
        advice=advice,
        verdict=verdict(zero, place, 0.1, s, advice),
    )


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> RunFolder:
    from PIL import Image

    run = RunFolder(write_run(tmp_path_factory.mktemp("quality") / "run"))
    write_quality(run.quality_json, invented_quality(), sha256_of(run.recording_csv))
    Image.new("RGB", (80, 40), (10, 90, 160)).save(run.difficult_frames_png)
    return run


@pytest.fixture(scope="module")
def html(run: RunFolder) -> str:
    with mock.patch.object(drawing, "DPI", 50):
        return render_html(fit_page(gather(run)))


def test_section_holds_verdict_tables_chart_and_contact_sheet(html: str) -> None:
    section = html[html.index('<section id="quality">') :]
    section = section[: section.index("</section>")]
    assert "Limited: a return to zero is known to ±0.04" in section
    assert "return to zero, x" in section and "place at rest, y" in section
    assert "registration &lt;b&gt;" in section and "&lt;i&gt;assumed" in section
    assert 'id="figure-budget"' in section and 'href="#quality"' in html
    sheet = html[html.index('<section id="difficult">') :]
    data = re.search(r'src="data:image/png;base64,([^"]+)"', sheet)
    assert data and base64.b64decode(data[1]).startswith(b"\x89PNG")


def test_chart_has_ink_of_different_grey(run: RunFolder) -> None:
    """Type A, type B, u_c and U stay apart without colour."""
    from PIL import Image

    (chart,) = quality_pictures(invented_quality())
    grey = np.asarray(Image.open(BytesIO(chart.png)).convert("L"), dtype=int)
    assert 0.02 < np.mean(grey < 200) < 0.5
    counts = np.bincount(grey.ravel(), minlength=256) / grey.size
    tones = [tone for tone in range(250) if counts[tone] > 0.004]
    assert max(tones) - min(tones) > 120
    groups = 1 + sum(b - a > 15 for a, b in pairwise(tones))
    assert groups >= 3
    assert "U 0.0" in chart.alt


def test_no_section_without_a_judgement(tmp_path: Path) -> None:
    run = RunFolder(write_run(tmp_path / "run"))
    with mock.patch.object(drawing, "DPI", 50):
        html = render_html(fit_page(gather(run)))
    assert 'id="quality"' not in html and 'id="difficult"' not in html
    assert quality_pictures(None) == []


def test_a_judgement_of_another_recording_is_told(run: RunFolder, tmp_path: Path) -> None:
    other = RunFolder(write_run(tmp_path / "run"))
    write_quality(other.quality_json, invented_quality(), "0" * 64)
    assert any("another recording" in w for w in gather(other).warnings)
    assert not any("another recording" in w for w in gather(run).warnings)


def test_a_contact_sheet_that_is_none_is_refused(tmp_path: Path) -> None:
    run = RunFolder(write_run(tmp_path / "run"))
    run.difficult_frames_png.write_bytes(b"<svg onload=alert(1)>")
    with pytest.raises(InputError, match="not a PNG"):
        gather(run)
    run.difficult_frames_png.write_bytes(b"\x89PNG\r\n\x1a\n and no more of it")
    with pytest.raises(InputError, match="cannot be read"):
        gather(run)


def test_a_damaged_judgement_is_one_sentence(tmp_path: Path) -> None:
    run = RunFolder(write_run(tmp_path / "run"))
    content = invented_quality().to_json()
    content["return_to_zero"]["components"][0]["value"] = "much"  # type: ignore[index]
    run.quality_json.write_text(json.dumps(content), encoding="utf-8")
    assert "return_to_zero.components.1.value" in refused(run.path, "verify", run.path)


def test_verdicts_by_tolerance() -> None:
    """U = 2 scatter, about: 0.02 is limited for 0.1 mm, 0.01 good, 0.06 not enough."""
    assert invented_quality(0.01).verdict.startswith("Good")
    assert invented_quality(0.02).verdict.startswith("Limited")
    assert invented_quality(0.06).verdict.startswith("Not enough")
    assert "cancels in a return to zero" in invented_quality(0.01).verdict


def test_measure_writes_and_prints_it(tmp_path: Path) -> None:
    sys.path.insert(0, str(Path(__file__).parent))
    from measure.synthetic import film, make_bench, make_pattern

    from hysteresis.table_files import write_camera_log, write_pattern

    bench = make_bench(tmp_path)
    pattern = make_pattern(40, length_s=30.0)
    write_pattern(tmp_path / "pattern.csv", pattern)
    write_camera_log(tmp_path / "camera_log.csv", film(pattern, bench).log,
                     decimals={"t_s": 6, "u_px": 3, "v_px": 3})  # fmt: skip
    code = (
        "import sys; from hysteresis.cli import main\n"
        "try: main()\n"
        "finally: assert 'matplotlib' not in sys.modules"
    )
    command = [sys.executable, "-c", code, "measure", str(tmp_path)]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    for words in ("Quality of the measurement", "Uncertainty budget (JCGM 100): return to zero",
                  "place at rest", "ν_eff", "What limits it most"):  # fmt: skip
        assert words in done.stdout
    assert done.stdout.index("frames used") < done.stdout.index("Quality of the measurement")
    quality = read_quality(tmp_path / "quality.json")
    assert quality.recording_sha256 == sha256_of(tmp_path / "recording.csv")
    assert "--force" in refused(tmp_path, "measure", tmp_path)
    (tmp_path / "recording.csv").unlink()
    assert "quality.json" in refused(tmp_path, "measure", tmp_path)
    assert not (tmp_path / "recording.csv").exists()
