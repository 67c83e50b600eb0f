"""Reading steps and their sheet: numbering, what the readings can tell apart, the printed page."""

import numpy as np
import pytest

from hysteresis.cautions import CAUTIONS
from hysteresis.errors import DataError, InputError, LimitError
from hysteresis.plan import (
    characterisation,
    preview,
    reading_sheet,
    reading_steps,
    sheet_pages,
    write_sheet_pdf,
)
from hysteresis.virtual_bench.ruler import readings_of
from tests.plan.conftest import bench_with


@pytest.mark.parametrize("readings", [10, 11, 12, 28, 40, 77])
def test_readings_are_numbered_from_one_to_the_number_asked_for(bench, readings):
    sheet = reading_sheet(reading_steps(bench, readings))
    assert list(sheet.reading) == list(range(1, readings + 1))
    assert np.all(np.diff(sheet.t_s) >= 4.0 - 1e-9)
    assert np.isnan([sheet.x_mm, sheet.y_mm]).all()


def test_the_sheet_reads_at_the_end_of_each_hold(bench):
    """Against the virtual bench's own search for the readings in a pattern."""
    pattern = reading_steps(bench)
    sheet = reading_sheet(pattern)
    number, _, end_s = readings_of(pattern)
    assert np.array_equal(number, sheet.reading) and np.array_equal(end_s, sheet.t_s)
    for u, told in ((pattern.drive_x, sheet.drive_x), (pattern.drive_y, sheet.drive_y)):
        for back_s in (0.0, 3.6):  # at rest for the whole time in which it is read
            assert np.allclose(np.interp(sheet.t_s - back_s, pattern.t_s, u), told, atol=1e-12)


def test_forty_readings_hold_what_a_fit_needs(bench):
    """At least 2 holds × 2 waits × 4 excursions on each axis, a block repeated at the end."""
    sheet = reading_sheet(reading_steps(bench, 40))
    out = np.array([note.startswith("held") for note in sheet.note])
    holds = np.array([int(n.split()[2]) if o else 0 for n, o in zip(sheet.note, out, strict=True)])
    for drive in (sheet.drive_x, sheet.drive_y):
        grid = {(h, round(abs(u), 3)) for h, u in zip(holds[out], drive[out], strict=True)}
        for hold in (6, 60):
            assert len({u for h, u in grid if h == hold}) >= 4
        assert {u for h, u in grid if h == 6} == {u for h, u in grid if h == 60}
        assert np.abs(drive).max() == pytest.approx(bench.limits.max_drive)
        assert (
            3 <= (drive[out] > 0).sum() <= 10
            and abs(np.corrcoef(drive[out], holds[out])[0, 1]) < 0.5
        )
    waits = {note for note in sheet.note if note.startswith("back")}
    assert waits == {"back at zero for 4 s", "back at zero for 16 s"}
    assert sheet.note[0] == "at zero, after conditioning"
    first, last = slice(1, 10), slice(31, 40)
    assert np.array_equal(sheet.drive_x[first], sheet.drive_x[last])
    assert np.array_equal(sheet.drive_y[first], sheet.drive_y[last])


def _reading_matrix(pattern, sheet, axis):
    """Two play elements, log creep and AC droop (τ = 3 s) at each reading at zero, less the first.

    Play: textbook; creep of a step ∝ log(1 + t/0.1 s) and droop −(1 − e^{−t/τ}), superposed.
    """
    t, u = pattern.t_s, (pattern.drive_x, pattern.drive_y)[axis]
    columns = []
    for r in (0.15, 0.5):
        z, states = 0.0, []
        for value in u:
            z = max(value - r, min(value + r, z))
            states.append(z)
        columns.append(np.interp(sheet.t_s, t, states))
    age = np.maximum(sheet.t_s[:, None] - t[1:], 0.0)
    columns.append(np.log10(1 + age / 0.1) @ np.diff(u))
    columns.append(-(1 - np.exp(-age / 3.0)) @ np.diff(u))
    at_zero = (sheet.drive_x == 0) & (sheet.drive_y == 0)
    matrix = np.column_stack(columns)[at_zero]
    return (matrix - matrix[0])[1:], sheet.note[at_zero][1:]


@pytest.mark.parametrize("axis", [0, 1])
def test_the_readings_tell_friction_after_effect_and_droop_apart(bench, axis):
    """Condition number of the reading matrix: 8.3 is what 2 holds × 2 waits × 5 sizes gave.

    (Computed in the project's notes on experiment design for isolated steps; columns of unit
    length. One hold with one wait cannot tell creep from droop at all there.)
    """
    pattern = reading_steps(bench)
    matrix, _ = _reading_matrix(pattern, reading_sheet(pattern), axis)
    assert np.linalg.cond(matrix / np.linalg.norm(matrix, axis=0)) < 8.3


def test_a_time_budget_shortens_the_holds(bench):
    long, short = reading_steps(bench, 40), reading_steps(bench, 40, 8.0)
    assert long.t_s[-1] > 600 and short.t_s[-1] <= 480
    with pytest.raises(LimitError, match="40 readings take at least") as told:
        reading_steps(bench, 40, 3.0)
    asked = float(str(told.value).split("at least ")[1].split()[0])
    assert reading_steps(bench, 40, asked + 0.1).t_s[-1] <= 60 * (asked + 0.1)


def test_the_beam_blinks_when_it_is_time_to_read(bench):
    pattern = reading_steps(bench, 13)
    sheet = reading_sheet(pattern)
    reading = np.char.startswith(pattern.segment.astype(str), "reading")  # sync blinks, too
    dark = np.flatnonzero(~pattern.beam[:-1] & reading[:-1])
    assert len(dark) == 13
    before = sheet.t_s - pattern.t_s[dark]
    assert np.allclose(before[np.char.startswith(sheet.note.astype(str), "held")], 5.0)
    assert before.min() >= 4.0 - 1e-9
    assert np.all(reading_steps(bench_with(beam={"mode": "always-on"}), 13).beam)


def test_one_axis_keeps_its_readings_at_zero(bench):
    sheet = reading_sheet(reading_steps(bench, 40, axes="y"))
    assert len(sheet) == 40 and not sheet.drive_x.any() and (sheet.drive_y == 0).sum() > 20


@pytest.mark.parametrize("readings", [9, 0, -4, 401])
def test_a_number_of_readings_of_no_use_is_refused(bench, readings):
    with pytest.raises(InputError, match="10 to 400"):
        reading_steps(bench, readings)


def test_an_output_that_cannot_hold_is_refused_with_a_way_out():
    with pytest.raises(LimitError, match=r"corner 0\.5 Hz.*ruler; use a DC-coupled"):
        reading_steps(bench_with(drive={"coupling": "ac", "corner_hz": 0.5}))
    slow = bench_with(drive={"coupling": "ac", "corner_hz": 0.001})
    assert any("AC-coupled" in n for n in preview(reading_steps(slow), slow).notes)


def _words(figure):
    from matplotlib.text import Text

    return [t.get_text() for t in figure.findobj(Text) if t.get_text()]


def test_the_printed_sheet_has_every_reading_the_cautions_and_room_to_write(bench):
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.patches import Rectangle

    pages = sheet_pages(reading_steps(bench, 40), bench, "my-run")
    words = [_words(page) for page in pages]
    shown = [w for page in words for w in page if w.isdigit()]
    assert shown == [str(n) for n in range(1, 41)]
    first = " ".join(words[0])
    for caution in CAUTIONS:
        assert all(word in first for word in caution.split())
    assert "thread" in first and "my-run" in first and "blinks" in first
    boxes = [r for page in pages for r in page.findobj(Rectangle) if not r.get_fill()]
    wide = [r for r in boxes if r.get_width() > 24 and 10 <= r.get_height() < 12]
    assert len(wide) == 3 * 40  # x, y and note of each reading, in mm on paper
    for page in pages:  # nothing is printed over the edge of the page
        canvas = FigureCanvasAgg(page)
        canvas.draw()
        for text in page.axes[0].texts:
            area = text.get_window_extent(canvas.get_renderer())
            assert area.x0 >= 0 and area.y0 >= 0
            assert area.x1 <= page.bbox.width and area.y1 <= page.bbox.height


def test_where_to_look_is_rough_and_right(bench):
    """A drive of 1 is full_scale_mm off the centre, by the definition in bench.toml."""
    pattern = reading_steps(bench, 10)  # they fit on the first page
    sheet = reading_sheet(pattern)
    words = _words(sheet_pages(pattern, bench)[0])
    looks = [
        w.replace("−", "-").split(", ") for w in words if w.count(", ") == 1 and w[-1].isdigit()
    ]
    near = np.array(looks, float)
    nominal = 50.0 * np.column_stack([sheet.drive_x, sheet.drive_y])
    assert np.all(near % 5 == 0) and np.abs(near - nominal).max() < 4.0


def test_the_pdf_is_written_whole_or_not_at_all(bench, tmp_path):
    target = tmp_path / "sheet.pdf"
    write_sheet_pdf(reading_steps(bench), bench, target)
    data = target.read_bytes()
    assert data.startswith(b"%PDF-") and data.rstrip().endswith(b"%%EOF")
    assert data.count(b"/Type /Page\n") + data.count(b"/Type /Page ") == 3
    with pytest.raises(DataError, match="no readings"):
        write_sheet_pdf(characterisation(bench, 2.0), bench, tmp_path / "none.pdf")
    assert [p.name for p in tmp_path.iterdir()] == ["sheet.pdf"]
