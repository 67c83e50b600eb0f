"""A session at the keyboard: lines understood, entries applied, resumed as it was left."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hysteresis.errors import InputError
from hysteresis.measure import measure_typed
from hysteresis.measure.typed_questions import Questions
from hysteresis.measure.typed_words import Line, understand
from hysteresis.measure.typing_session import (
    Session,
    after,
    doubted,
    entry_of,
    filled_in,
    first_entry,
    move_on,
    resumed,
    rows_kept,
)
from hysteresis.plan.reading_steps import reading_steps
from hysteresis.plan.sheet import reading_sheet, sheet_pages, where_to_look
from hysteresis.tables import TypedSheet

from .synthetic import make_bench


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    return make_bench(tmp_path_factory.mktemp("bench"))


@pytest.fixture(scope="module")
def sheet(bench) -> TypedSheet:
    return reading_sheet(reading_steps(bench, 10))


def typed(session: Session, *lines: str, question: str = "") -> Session:
    """The session after these lines; the journal's JSON lies between, as in earnest."""
    for line in lines:
        entry = entry_of(session, understand(line))
        if entry["kind"] == "reading":
            entry = doubted(entry, session, question)
        session = after(session, json.loads(json.dumps(entry)))
    return session


# ---- lines -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "x_mm", "y_mm"),
    [
        ("12.5 -3", 12.5, -3), ("12,5 -3", 12.5, -3), ("12,5; -3", 12.5, -3),
        ("12.5, -3", 12.5, -3), ("12.5,-3", 12.5, -3), ("12.5,3", 12.5, 3), ("  1   2 ", 1, 2),
        ("12.5mm -3 cm", 12.5, -30), ('0.5" -1"', 12.7, -25.4), ("2 in 3 inch", 50.8, 76.2),
        ("x=12.5 y=-3", 12.5, -3), ("y = -3 X: 2,5", 2.5, -3), ("- -3", math.nan, -3),
        ("12 -", 12, math.nan), ("−3 +4", -3, 4), ("0,125 1", 0.125, 1), (".5 5.", 0.5, 5),
        ("x=- y=4", math.nan, 4), ("12\u00a03", 12, 3),
    ],
)  # fmt: skip
def test_readings(line: str, x_mm: float, y_mm: float) -> None:
    meant = understand(line)
    assert meant.kind == "reading" and not meant.again
    np.testing.assert_array_equal([meant.x_mm, meant.y_mm], [x_mm, y_mm])
    again = understand("+ " + line)
    assert again.kind == "reading" and again.again
    np.testing.assert_array_equal([again.x_mm, again.y_mm], [x_mm, y_mm])


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("1,5,2,5", "commas can mark"), ("12,5,3", "or part x from y"),
        ("1 2 3", "3 values"), ("12.5 -3 cm", "unit behind both"), ("1,234 5", "1.234 or 1234"),
        ("x=1 2", "both without names"), ("x=1 x=2", "x is given twice"), ("1e5 3", "not a read"),
        ("nan 3", "not a reading"), ("12 . 5", "not a reading"), ("hello", "not a reading"),
        ("1.2.3 4", "not a reading"), ("+ 4", "both x and y"), ("go", "number of a step"),
        ("go x", "number of a step"), ("t", "seconds since"), ("t 1:75", "seconds since"),
        ("note", "note is empty"), ("undo 3", "stands alone"), ("3 4 5mm 6", "4 values"),
        ("٣ ٤", "not a reading"), ("1_0 2", "not a reading"),
    ],
)  # fmt: skip
def test_lines_that_are_asked_about(line: str, words: str) -> None:
    with pytest.raises(InputError) as caught:
        understand(line)
    assert words in str(caught.value) and "\n" not in str(caught.value)


def test_commands() -> None:
    assert understand("").kind == "empty" and understand(" = ").kind == "keep"
    assert understand("Undo").kind == "undo" and understand("?").kind == "help"
    assert understand("go 17") == understand("go17") == Line("go", number=17)
    assert understand("t 1:23").t_s == understand("t 83").t_s == understand("t83,0 s").t_s == 83.0
    assert understand("note blurred,  twice").words == "blurred, twice"
    half = understand("y=-3,5")
    assert (half.kind, half.axis, half.value_mm) == ("half", "y", -3.5)


@given(st.text(max_size=30))
@settings(deadline=None)
def test_any_line_is_understood_or_asked_about(line: str) -> None:
    try:
        meant = understand(line)
    except InputError as error:
        assert "\n" not in str(error)
    else:
        assert not math.isinf(meant.x_mm) and not math.isinf(meant.y_mm)


# ---- the session -------------------------------------------------------------------------------


def test_from_the_first_step_to_the_last(sheet) -> None:
    session = Session(sheet)
    for k in range(len(sheet)):
        assert session.at == k and not session.done
        session = typed(session, f"{k} -{k}")
    assert session.done and session.count == 10
    result = filled_in(session)
    assert result.x_mm.tolist() == list(range(10))
    assert result.t_s.tolist() == sheet.t_s.tolist()
    assert result.note.tolist() == [""] * 10


def test_halves_and_readings_that_are_missing(sheet) -> None:
    session = typed(Session(sheet), "3", "4")  # two prompts
    assert session.readings[0][0].x_mm == 3 and session.readings[0][0].y_mm == 4
    session = typed(session, "y=5")
    assert session.at == 1 and session.half == ("y", 5.0)
    session = typed(session, "y=6", "7")  # y mistyped, then x
    assert (session.readings[1][0].x_mm, session.readings[1][0].y_mm) == (7.0, 6.0)
    session = typed(session, "")
    assert session.skipped == {2} and session.at == 3
    session = typed(session, "8", "")  # y was not read
    assert session.readings[3][0].x_mm == 8 and math.isnan(session.readings[3][0].y_mm)
    session = typed(session, "-", "-")
    assert session.skipped == {2, 4} and session.at == 5
    result = filled_in(session)
    assert np.isnan(result.x_mm).tolist() == [False] * 2 + [True, False] + [True] * 6


def test_repeats_are_kept_and_their_mean_is_used(sheet) -> None:
    session = typed(Session(sheet), "1 2", "3 4", "+ 3.3 4.6", "+ 3 -", "9 9")
    assert session.at == 3 and len(session.readings[1]) == 3
    result = filled_in(session)
    assert result.x_mm[1] == pytest.approx(3.1) and result.y_mm[1] == pytest.approx(4.3)
    assert (result.repeats_x[1], result.repeats_y[1]) == (3, 2)
    # statistics.stdev is another way to the same figure
    from statistics import stdev

    assert result.scatter_x_mm[1] == pytest.approx(stdev([3, 3.3, 3]))
    assert result.scatter_y_mm[1] == pytest.approx(stdev([4, 4.6]))
    assert np.isnan(result.scatter_x_mm[0]) and result.note[1] == "readings 3 4, 3.3 4.6, 3 -"
    # a reading typed at a step that has one is a repeat, too, never a replacement
    again = typed(session, "go 1", "1.5 2")
    assert len(again.readings[0]) == 2 and again.at == 3
    assert typed(again, "go 1", "clear", "7 7").readings[0][0].x_mm == 7


def test_undo_takes_back_one_entry_after_the_other(sheet) -> None:
    steps = [Session(sheet)]
    for line in ("1 2", "note mist", "3", "4", "", "go 9", "9 9"):
        steps.append(typed(steps[-1], line))
    session = steps[-1]
    values = [s for s in steps if not s.entries or s.entries[-1]["kind"] != "go"]
    for before in reversed(values[:-1]):
        session = typed(session, "undo")
        assert session.readings == before.readings and session.skipped == before.skipped
        assert session.notes == before.notes and session.half == before.half
    with pytest.raises(InputError, match="nothing to take back"):
        typed(session, "undo")


def test_a_question_is_answered_or_the_reading_given_again(sheet) -> None:
    session = typed(Session(sheet), "1 2")
    asked = typed(session, "60 2", question="x = 60 mm where about 6 mm is expected")
    assert asked.asked and asked.at == 1 and asked.readings[1][0].x_mm == 60
    with pytest.raises(InputError, match="again, or = to keep"):
        typed(asked, "")
    kept = typed(asked, "=")
    assert kept.at == 2 and rows_kept(kept) == {1} and kept.readings[1][0].x_mm == 60
    assert "asked about and kept" in filled_in(kept).note[1]
    mended = typed(asked, "6 2")
    assert mended.at == 2 and len(mended.readings[1]) == 1 and mended.readings[1][0].x_mm == 6
    same = typed(asked, "60 2", question="again")
    assert same.readings == kept.readings
    # left open and come back to
    away = typed(typed(asked, "go 5"), "5 5", "go 2")
    assert away.asked and away.at == 1
    with pytest.raises(InputError, match="none is now"):
        typed(session, "=")


def test_times_rise_from_step_to_step(sheet) -> None:
    session = typed(Session(sheet), "1 1")
    low, planned, high = sheet.t_s[:3]
    session = typed(session, f"t {0.5 * (planned + high)}", "2 2")
    assert filled_in(session).t_s[1] == 0.5 * (planned + high)
    for wrong in (low, high + 1):
        with pytest.raises(InputError, match="is read after"):
            typed(typed(session, "go 2"), f"t {wrong}")


lines = st.sampled_from(
    ["1 2", "3", "-4,5", "", "undo", "go 3", "go 10", "= ", "clear", "note n", "+ 1 1", "60 2",
     "x=1", "- 2", "t 0:30", "t 40", "-"]
)  # fmt: skip


@given(st.lists(lines, max_size=40), st.integers(0, 40))
@settings(deadline=None, max_examples=150)
def test_a_session_is_resumed_as_it_was_left(sheet, many: list[str], cut: int) -> None:
    session, journal = Session(sheet), [first_entry(sheet)]
    values = 0
    for number, line in enumerate(many):
        if number == cut:  # killed here, and started again from the journal
            session = resumed(sheet, json.loads(json.dumps(journal)))
        try:
            entry = entry_of(session, understand(line))
        except InputError:
            continue
        if entry["kind"] == "reading":
            entry = doubted(entry, session, "really" if line == "60 2" else "")
            values += entry["kind"] == "reading"
        journal.append(entry)
        session = after(session, entry)
    again = resumed(sheet, json.loads(json.dumps([*journal, {"kind": "torn", "text": "x"}])))
    assert again == move_on(session)  # at an open step, where there is one
    # what was once typed stays in the journal
    assert sum(entry["kind"] == "reading" for entry in journal) == values


def test_a_journal_of_another_pattern(bench, sheet) -> None:
    other = reading_sheet(reading_steps(bench, 11))
    with pytest.raises(InputError, match="typed to another pattern"):
        resumed(other, [first_entry(sheet)])
    for broken in ({"kind": "reading", "row": 99}, {"kind": "keep", "row": 1}, {"kind": "?"},
                   {"kind": "reading", "row": 0, "x_mm": "much", "y_mm": 1}):  # fmt: skip
        with pytest.raises(InputError, match="makes no sense"):
            resumed(sheet, [first_entry(sheet), broken])


# ---- questions and the way on --------------------------------------------------------------------


def test_what_is_clearly_off_is_asked_about_from_the_second_reading_on(bench, sheet) -> None:
    """By the nominal optics first: a sound reading 10 % off is not asked about, a sign slip is."""
    pattern = reading_steps(bench, 10)
    questions = Questions(sheet, pattern, bench)

    def question(session: Session, line: str) -> str:
        return questions.about(session, entry_of(session, understand(line)))

    x, y = 50 * sheet.drive_x[1], 50 * sheet.drive_y[1]
    first = typed(Session(sheet), "1 -1")
    assert question(first, f"{1.1 * x + 1:.1f} {1.1 * y - 1:.1f}") == ""
    assert "sign?" in question(first, f"{-x:.1f} {y:.1f}")
    assert "cm instead of mm?" in question(first, f"{x / 10:.2f} {y:.1f}")
    third = typed(first, f"{1.1 * x:.1f} {1.1 * y:.1f}")
    assert question(third, "2 -2") == ""
    assert "x = 40 mm where about" in question(third, "40 -1")
    # an axis that is wired the other way is asked about once or twice, not for ever
    wired = typed(Session(sheet), "0 0")
    asked = 0
    for k in range(1, 10):
        line = f"{-50 * sheet.drive_x[k]:.1f} {50 * sheet.drive_y[k]:.1f}"
        words = question(wired, line)
        wired = typed(wired, line, question=words)
        if words:
            asked += 1
            wired = typed(wired, "=")
    assert 1 <= asked <= 2


def test_the_printed_sheet_and_the_prompt_number_alike(bench) -> None:
    """Every number, time and place to look of the prompt stands on the printed pages, in order."""
    pattern = reading_steps(bench, 28)
    sheet = reading_sheet(pattern)
    printed = [
        text.get_text() for page in sheet_pages(pattern, bench) for text in page.axes[0].texts
    ]
    session = Session(sheet)
    look = where_to_look(sheet, bench)
    from hysteresis.plan.sheet import due

    rows = [i for i, words in enumerate(printed) if words == "look near\nx, y in mm"]
    assert rows  # the heads of the table are on the pages
    at = 0
    for k in range(len(sheet)):
        wanted = [str(sheet.reading[session.at]), due(sheet.t_s[session.at]),
                  sheet.note[session.at], look[session.at]]  # fmt: skip
        at = next(i for i in range(at, len(printed)) if printed[i : i + 4] == wanted) + 4
        session = typed(session, f"{k} 0")
    assert session.done


def test_the_scatter_of_repeats_goes_into_sigma(bench) -> None:
    """Four readings of each step by a reader of 0.8 mm: the mean is good to half of that."""
    pattern = reading_steps(bench, 28)
    sheet = reading_sheet(pattern)
    rng = np.random.default_rng(5)
    true = 50 * np.column_stack([sheet.drive_x, sheet.drive_y])
    session = Session(sheet)
    for k in range(len(sheet)):
        for again in range(4):
            x, y = np.round(true[k] + rng.normal(0, 0.8, 2), 1)
            session = typed(session, f"{'+ ' if again else ''}{x} {y}")
    measured = measure_typed(filled_in(session), pattern, bench)
    assert measured.rounding_mm == 0.1
    # 168 degrees of freedom: known to 5.5 %, twice that allowed; the repeats of whole steps after
    # conditioning are means of four as well and cannot raise it
    assert measured.recording.sigma_x_mm[3] == pytest.approx(0.8 / 2, rel=0.11)
    once = Session(sheet)
    for k in range(len(sheet)):
        once = typed(once, f"{true[k, 0]:.1f} {true[k, 1]:.1f}")
    assert measure_typed(filled_in(once), pattern, bench).recording.sigma_x_mm[3] < 0.05
