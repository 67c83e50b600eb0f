"""bench.toml: the template is valid, and each fault is told with its line and remedy."""

from pathlib import Path

import numpy as np
import pytest

from hysteresis.bench import TEMPLATE, Bench, read_bench
from hysteresis.errors import InputError

CORNERS = """\
fiducials = [
    {{ u_px = 300, v_px = 600, x_mm = -50, y_mm = -50 }},
    {{ u_px = 900, v_px = 600, x_mm = 50, y_mm = -50 }},
    {{ u_px = 900, v_px = 50, x_mm = 50, y_mm = 50 }},
    {last},
]
"""


def read(tmp_path: Path, text: str) -> Bench:
    path = tmp_path / "bench.toml"
    path.write_text(text, encoding="utf-8")
    return read_bench(path)


def fault(tmp_path: Path, text: str) -> InputError:
    with pytest.raises(InputError) as caught:
        read(tmp_path, text)
    assert "\n" not in str(caught.value)
    return caught.value


def line_of(text: str, start: str) -> int:
    return next(n for n, line in enumerate(text.split("\n"), 1) if line.startswith(start))


def with_fiducials(text: str) -> str:
    head, rest = TEMPLATE.split("fiducials = [")
    return head + text + rest.split("\n]\n", 1)[1]


def test_the_template_is_valid_and_plausible(tmp_path: Path) -> None:
    bench = read(tmp_path, TEMPLATE)
    assert bench.camera is not None
    assert 4 <= len(bench.camera.fiducials) <= 6
    assert bench.optics.full_scale_x_mm == bench.optics.full_scale_y_mm == 50  # a 100 mm field
    for mark in bench.camera.fiducials:  # all seen by a picture of 1280 by 720 pixels
        assert 0 < mark.u_px < 1280 and 0 < mark.v_px < 720
    px, mm = (
        np.array([[getattr(f, a), getattr(f, b)] for f in bench.camera.fiducials])
        for a, b in (("u_px", "v_px"), ("x_mm", "y_mm"))
    )
    scale = np.linalg.norm(np.diff(px, axis=0), axis=1) / np.linalg.norm(
        np.diff(mm, axis=0), axis=1
    )
    assert (np.abs(scale - 6) < 0.5).all()  # about 6 px/mm, and slightly in perspective
    assert np.ptp(scale) > 0.01


def test_the_template_explains_every_setting() -> None:
    for line in TEMPLATE.split("\n"):
        setting = " = " in line and not line.startswith(("#", " "))
        if setting and line.split(" = ")[0] not in {"name", "fiducials", "frame_rate_hz"}:
            assert "  # " in line, line


def test_a_bench_is_frozen_and_compares_by_value(tmp_path: Path) -> None:
    bench = read(tmp_path, TEMPLATE)
    with pytest.raises(ValueError, match="frozen"):
        bench.name = "other"  # type: ignore[misc]
    assert bench == read(tmp_path, TEMPLATE)
    assert hash(bench) == hash(read(tmp_path, TEMPLATE))


def test_a_rig_without_camera(tmp_path: Path) -> None:
    head, rest = TEMPLATE.split("[camera]")
    assert read(tmp_path, head + rest[rest.index("[tolerance]") :]).camera is None


def test_windows_line_ends_and_byte_order_mark(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    bad = TEMPLATE.replace("max_drive = 0.98", "max_drive = 2.0")
    path.write_bytes(b"\xef\xbb\xbf" + bad.replace("\n", "\r\n").encode())
    with pytest.raises(InputError) as caught:
        read_bench(path)
    assert caught.value.row == line_of(TEMPLATE, "max_drive")


CASES = [
    # (replace, by, key, start of the line that is named, value, part of the remedy)
    ("max_drive = 0.98", "max_drive = 1.5", "limits.max_drive", "max_drive", 1.5, "at most 1"),
    ("max_drive = 0.98", "max_drive = 0", "limits.max_drive", "max_drive", 0, "above 0"),
    ("max_drive = 0.98", "max_drive = true", "limits.max_drive", "max_drive", True, "number"),
    ("slew_per_s = 60.0", "slew_per_s = -60.0", "limits.slew_per_s", "slew", -60.0, "at least"),
    ("coil_rms = 0.95", "coil_rms = nan", "limits.coil_rms", "coil_rms", np.nan, "number"),
    ("coil_window_s = 120.0", "coil_window_s = inf", "limits.coil_window_s", "coil_w", np.inf, ""),
    ("bandwidth_hz = 150.0", "bandwidth_hz = 3e4", "limits.bandwidth_hz", "bandw", 3e4, "24000"),
    ("= 48000", "= 500", "drive.sample_rate_hz", "sample", 500, "at least 1000"),
    ("= 48000", "= 250000", "drive.sample_rate_hz", "sample", 250000, "at most 192000"),
    ("= 48000", "= 44100.5", "drive.sample_rate_hz", "sample", 44100.5, "Hz"),
    ('coupling = "dc"', 'coupling = "ac"', "drive.corner_hz", "[drive]", None, "add corner_hz"),
    ("# corner_hz", "corner_hz", "drive.corner_hz", "corner_hz", 0.5, "delete it"),
    ('coupling = "dc"', 'coupling = "DC"', "drive.coupling", "coupling", "DC", "'dc' or 'ac'"),
    ('mode = "switched"', 'mode = "on"', "beam.mode", "mode", "on", "'always-on'"),
    ('mode = "switched"', "mode = 1", "beam.mode", "mode", 1, "'always-on'"),
    ("= 250.0", '= "250"', "optics.plane_distance_mm", "plane", "250", "without quotes"),
    ("= 250.0", "= 20.0", "optics.full_scale_x_mm", "full_scale_x", 50.0, "from the centre"),
    ("mirror_gap_mm = 12.0", "mirror_gap_mm = -1", "optics.mirror_gap_mm", "mirror", -1, "least"),
    ("ambient_c = 21.0", "ambient_c = 294", "ambient_c", "ambient", 294, "at most 80"),
    ('unit = "A"', 'unit = ""', "unit", "unit", "", "a word"),
    ('unit = "A"', "unit = 3", "unit", "unit", 3, "quotation marks"),
    ("target_mm = 0.1", "target_mm = 0", "tolerance.target_mm", "target", 0, "at least"),
    ("exposure_s = 0.008", "exposure_s = 8", "camera.exposure_s", "exposure", 8, "seconds"),
    ("u_px = 959.2", 'u_px = "a"', "camera.fiducials.3.u_px", "    { u_px = \"a", "a", "number"),
    ("bandwidth_hz", "bandwith_hz", "limits.bandwith_hz", "bandwith", None, "bandwidth_hz?"),
    ("[beam]", "[baem]", "baem", "[baem]", None, "did you mean beam?"),
    ("target_mm = 0.1", "target_mm = 0.1\ncolour = 1", "tolerance.colour", "col", None, "delete"),
    ("mirror_gap_mm = 12.0", "", "optics.mirror_gap_mm", "[optics]", None, "below [optics]"),
    ('name = "bench one"', "", "name", None, None, "add it"),
    ("[beam]\nmode", "beam = 3\n[limits.x]\nmode", "limits.beam", "beam", None, "delete"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "key", "start", "value", "mend"), CASES)
def test_each_fault_has_its_line_key_value_and_remedy(
    tmp_path: Path, old: str, new: str, key: str, start: str | None, value: object, mend: str
) -> None:
    text = TEMPLATE.replace(old, new, 1)
    assert text != TEMPLATE
    error = fault(tmp_path, text)
    assert error.column == key
    assert error.row == (None if start is None else line_of(text, start))
    assert error.file is not None and error.file.endswith("bench.toml")
    assert str(error.value) == str(value)
    assert mend in str(error.mend)


def test_the_first_fault_is_told_and_the_others_counted(tmp_path: Path) -> None:
    text = TEMPLATE.replace("0.98", "9.8").replace("= 48000", "= 4").replace("= 21.0", "= 210")
    error = fault(tmp_path, text)
    assert error.column == "ambient_c"
    assert "2 more faults" in str(error)


def test_a_toml_mistake_is_told_with_its_line(tmp_path: Path) -> None:
    text = TEMPLATE.replace("= 250.0", "= 250,0")
    error = fault(tmp_path, text)
    assert error.row == line_of(TEMPLATE, "plane_distance_mm")
    assert "key = value" in str(error.mend)
    error = fault(tmp_path, TEMPLATE + '\nlast = "not closed')
    assert error.row is not None and error.row >= TEMPLATE.count("\n") + 1


def test_a_setting_given_twice(tmp_path: Path) -> None:
    text = TEMPLATE.replace("mirror_gap_mm", "plane_distance_mm")
    assert fault(tmp_path, text).row == line_of(TEMPLATE, "mirror_gap_mm")


def test_too_few_fiducials(tmp_path: Path) -> None:
    lines = TEMPLATE.split("\n")
    text = "\n".join(line for line in lines if not line.startswith("    { u_px = 3"))
    text = text.replace("    { u_px = 646.0, v_px = 352.0, x_mm = 0.0, y_mm = 0.0 },\n", "")
    error = fault(tmp_path, text)
    assert error.what == "there are 2 fiducials"
    assert error.row == line_of(text, "fiducials")
    assert "at least 4" in str(error.mend)


def test_fiducials_on_one_line(tmp_path: Path) -> None:
    marks = "fiducials = [\n" + "".join(
        f"    {{ u_px = {100 + 90 * n}, v_px = {50 + n % 2 * 400}, x_mm = {n}, y_mm = {n} }},\n"
        for n in range(6)
    )
    error = fault(tmp_path, with_fiducials(marks + "]\n"))
    assert error.what.startswith("the fiducials lie on one line on the plane")
    assert error.column == "camera.fiducials"
    assert "corners" in str(error.mend)


@pytest.mark.parametrize(
    ("last", "where"),
    [
        # On the line through the first two, on the plane and in the picture.
        ("{ u_px = 600, v_px = 300, x_mm = 0, y_mm = -50 }", "on the plane"),
        ("{ u_px = 600, v_px = 600, x_mm = -50, y_mm = 50 }", "in the picture"),
        ("{ u_px = 600, v_px = 606, x_mm = -50, y_mm = 50 }", "in the picture"),  # nearly
        ("{ u_px = 300, v_px = 600, x_mm = -50, y_mm = 50 }", "in the picture"),  # a mark twice
    ],
)
def test_three_of_four_fiducials_on_one_line(tmp_path: Path, last: str, where: str) -> None:
    error = fault(tmp_path, with_fiducials(CORNERS.format(last=last)))
    assert error.what.startswith("of any four fiducials three lie on one line " + where)


def test_four_corners_are_enough(tmp_path: Path) -> None:
    marks = CORNERS.format(last="{ u_px = 300, v_px = 50, x_mm = -50, y_mm = 50 }")
    bench = read(tmp_path, with_fiducials(marks))
    assert bench.camera is not None and len(bench.camera.fiducials) == 4


def test_fiducials_as_sections(tmp_path: Path) -> None:
    marks = "".join(
        f"[[camera.fiducials]]\nu_px = {u}\nv_px = {v}\nx_mm = {x}\ny_mm = {y}\n"
        for u, v, x, y in [(300, 600, -5, -5), (900, 600, 5, -5), (900, 50, 5, 5), (300, 50, -5, 5)]
    )
    assert read(tmp_path, with_fiducials(marks)).camera is not None
    text = with_fiducials(marks.replace("u_px = 900\nv_px = 50", "u_px = 900\nv_px = nan"))
    error = fault(tmp_path, text)
    assert error.column == "camera.fiducials.3.v_px"
    assert error.row == line_of(text, "v_px = nan")
