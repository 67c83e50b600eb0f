"""Are slips of the pen pointed out when readings are typed, and sound readings left alone?

Each session takes the reading steps of an invented unit, read by a simulated person with a ruler,
puts some slips into the sheet, and types it line by line through the session of
`hysteresis measure --type`. The person answers every question with "=", keep, so that nothing that
was typed is ever corrected; then the whole sheet is looked through. A slip counts as pointed out
when one of its values was asked about while typing, or is in doubt at the end.

A slip is *gross* when it changes a value by more than a twentieth of full scale and by more than
six standard deviations of a reading (rounding and reading error together). Below that it is no
larger than what memory and creep do to a reading, and cannot be told from them before the fit.
A run of lines written one line off is gross when three of its values or more are.

    python -m experiments.typed_sessions --sessions 200

Everything it prints is simulated, on rigs whose physics is not that of the fit.
"""

from __future__ import annotations

import argparse
import tomllib
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from experiments.forecast_coverage import wilson
from experiments.return_to_zero import example_bench
from hysteresis import virtual_bench
from hysteresis.bench import Bench
from hysteresis.cli.console import table
from hysteresis.measure import measure_typed
from hysteresis.measure.typed_questions import Questions
from hysteresis.measure.typed_words import understand
from hysteresis.measure.typing_session import (
    Session,
    after,
    doubted,
    entry_of,
    filled_in,
    shown,
)
from hysteresis.plan.reading_steps import reading_steps
from hysteresis.plan.sheet import reading_sheet
from hysteresis.tables import Bools, Floats, Pattern, TypedSheet

HERE = Path(__file__).parent


@dataclass(frozen=True)
class Made:
    """One slip: its kind, the values (n, 2) that it changed, and which of them grossly."""

    kind: str
    changed: Bools
    gross: Bools

    @property
    def counts(self) -> bool:
        """Whether the slip is gross."""
        return int(self.gross.sum()) >= (3 if self.kind == "rows" else 1)


@dataclass(frozen=True)
class Outcome:
    """One session: slips, values asked about while typing and in doubt at the end (n, 2), rows
    told to be shifted (n,), values that were sound (n, 2), and whether a value was changed."""

    suspension: str
    slips: tuple[Made, ...]
    asked: Bools
    doubted: Bools
    shifted: Bools
    sound: Bools
    altered: bool


def main() -> None:
    """Print the study's tables."""
    plan = tomllib.loads((HERE / "typed_sessions.toml").read_text())
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("--sessions", type=int, default=plan["sessions"])
    ask.add_argument("--first-seed", type=int, default=plan["first_seed"])
    ask.add_argument("--missed", action="store_true", help="print every slip not pointed out")
    chosen = ask.parse_args()
    outcomes = study(plan, chosen.sessions, chosen.first_seed)
    report(outcomes)
    if chosen.missed:
        missed(outcomes)


def study(plan: dict[str, Any], sessions: int, first_seed: int) -> list[Outcome]:
    """The sessions, in turn over suspensions and units; each unit is played once."""
    bench = example_bench()
    pattern = reading_steps(bench, readings=plan["readings"])
    names = plan["suspensions"]
    cases = [(names[k % len(names)], first_seed + (k // len(names)) % plan["units"])
             for k in range(sessions)]  # fmt: skip

    def played(case: tuple[str, int]) -> virtual_bench.Played:
        rig = virtual_bench.make_rig(bench, *case)
        return virtual_bench.play(rig, pattern.t_s, pattern.drive_x, pattern.drive_y, rate_hz=200.0)

    motions = {case: played(case) for case in sorted(set(cases))}
    with ThreadPoolExecutor(2) as pool:
        return list(
            pool.map(
                lambda k: session(
                    bench, pattern, motions[cases[k]], *cases[k], 1000 * first_seed + k, plan
                ),
                range(sessions),
            )
        )


def session(
    bench: Bench, pattern: Pattern, motion: virtual_bench.Played, suspension: str, unit: int,
    number: int, plan: dict[str, Any],
) -> Outcome:  # fmt: skip
    """One sheet with slips, typed through."""
    rng = np.random.default_rng([number, 77])
    rounding = float(rng.choice(plan["rounding_mm"]))
    honest = virtual_bench.read_with_ruler(
        motion, pattern, bench, unit, sequence=number, rounding_mm=rounding,
        scatter_mm=plan["scatter_mm"], typo="none",
    )  # fmt: skip
    # what stands on paper is decimal
    honest = replace(honest, x_mm=honest.x_mm.round(6), y_mm=honest.y_mm.round(6))
    sigma = float(np.hypot(plan["scatter_mm"], rounding / np.sqrt(12)))
    full = bench.optics.full_scale_x_mm
    gross_mm = max(plan["gross_part"] * full, plan["gross_sigmas"] * sigma)

    kinds: list[virtual_bench.SlipKind] = []
    if rng.random() < plan["row_shift_share"]:
        kinds.append("rows")
    singles = [kind for kind in virtual_bench.SLIP_KINDS if kind != "rows"]
    kinds += [singles[i] for i in rng.integers(len(singles), size=rng.choice(plan["single_slips"]))]
    sheet, slips = honest, []
    for kind in kinds:
        sheet, changed = virtual_bench.slip_into(sheet, kind, rng)
        slips.append((kind, changed))
    off = np.abs(np.nan_to_num(places(sheet) - places(honest), nan=0.0)) > gross_mm
    made = tuple(Made(kind, changed, changed & off) for kind, changed in slips)
    asked, ended = typed(sheet, bench, pattern)
    wrong = np.abs(places(sheet) - places(honest)) > 0.0
    wrong |= np.isnan(places(sheet)) != np.isnan(places(honest))
    in_doubt, shifted = looked_through(ended, pattern, bench)
    altered = not np.array_equal(places(ended), places(sheet), equal_nan=True)
    return Outcome(suspension, made, asked, in_doubt, shifted,
                   ~wrong & ~np.isnan(places(sheet)), altered)  # fmt: skip


def places(sheet: TypedSheet) -> Floats:
    """The places (n, 2) of a sheet, mm."""
    return np.column_stack([sheet.x_mm, sheet.y_mm])


def typed(sheet: TypedSheet, bench: Bench, pattern: Pattern) -> tuple[Bools, TypedSheet]:
    """Type a sheet line by line; which values (n, 2) were asked about, and the sheet made of it."""
    questions = Questions(reading_sheet(pattern), pattern, bench)
    now = Session(reading_sheet(pattern))
    asked = np.zeros((len(sheet), 2), dtype=bool)
    for row in range(len(sheet)):
        x, y = places(sheet)[row]
        entry = entry_of(
            now, understand("" if np.isnan([x, y]).all() else f"{shown(x)} {shown(y)}")
        )
        if entry["kind"] == "reading":
            question = questions.about(now, entry)
            entry = doubted(entry, now, question)
            asked[row] = ["x = " in question, "y = " in question]
        now = after(now, entry)
        if now.asked:
            now = after(now, entry_of(now, understand("=")))
    assert now.done
    return asked, filled_in(now)


def looked_through(sheet: TypedSheet, pattern: Pattern, bench: Bench) -> tuple[Bools, Bools]:
    """Values (n, 2) in doubt at the end, and rows (n,) told to be shifted."""
    in_doubt = np.zeros((len(sheet), 2), dtype=bool)
    shifted = np.zeros(len(sheet), dtype=bool)
    for doubt in measure_typed(sheet, pattern, bench).doubts:
        row = int(np.flatnonzero(sheet.reading == doubt.number)[0])
        line_off = "one line" in doubt.text
        in_doubt[row] = [line_off or "x = " in doubt.text, line_off or "y = " in doubt.text]
        shifted[row] = line_off
    return in_doubt, shifted


def report(outcomes: list[Outcome]) -> None:
    """Print what was pointed out, per kind and per suspension, and what was doubted falsely."""
    kinds = [kind for kind in virtual_bench.SLIP_KINDS]
    rows = []
    for kind in [*kinds, "all"]:
        rows.append((kind, *_counted(outcomes, lambda s, k=kind: k in (s.kind, "all"))))
    head = ("slips", "gross", "at entry", "at entry or the end", "%", "95 % of it")
    table("Simulated. Gross slips pointed out, per kind", ("kind", *head), rows)
    rows = []
    names = list(dict.fromkeys(one.suspension for one in outcomes))
    for name in [*names, "all"]:
        own = [one for one in outcomes if name in (one.suspension, "all")]
        sound = sum(int(one.sound.sum()) for one in own)
        entry = sum(int((one.asked & one.sound).sum()) for one in own)
        end = sum(int((one.doubted & one.sound).sum()) for one in own)
        either = sum(int(((one.doubted | one.asked) & one.sound).sum()) for one in own)
        found = _counted(own, lambda s: True)
        rows.append(
            (name, len(own), found[1], found[4], sound, entry, end,
             f"{100 * either / max(sound, 1):.2f}")
        )  # fmt: skip
    table(
        "Simulated. Per suspension: gross slips pointed out, sound values doubted",
        ("suspension", "sessions", "gross slips", "% pointed out", "sound values",
         "doubted at entry", "at the end", "% either"),
        rows,
    )  # fmt: skip
    shifts = [(s, one) for one in outcomes for s in one.slips if s.kind == "rows" and s.counts]
    told = [_told_as_shift(s, one) for s, one in shifts]
    print(f"\nRuns of lines one line off: {sum(told)} of {len(told)} told as such at the end "
          "(at least half of their lines, and no more than two lines beside them).")  # fmt: skip
    alarms = sum(one.shifted.any() and not any(s.kind == "rows" for s in one.slips)
                 for one in outcomes)  # fmt: skip
    print(f"Sessions without such a run in which one was told: {alarms}.")
    print(f"Sessions in which a typed value was changed: {sum(one.altered for one in outcomes)}.")


def _told_as_shift(slip: Made, outcome: Outcome) -> bool:
    run = slip.changed.any(axis=1)
    beside = run.copy()
    rows = np.flatnonzero(run)
    beside[max(rows[0] - 1, 0) : rows[-1] + 2] = True
    return bool(
        (outcome.shifted & run).sum() >= 0.5 * run.sum() and not (outcome.shifted & ~beside).any()
    )


def _found(slip: Made, seen: Bools) -> bool:
    return bool((slip.gross & seen).any())


def _counted(outcomes: list[Outcome], wanted: Any) -> tuple[object, ...]:
    """Slips, gross ones, pointed out at entry, at entry or the end, per cent, its interval."""
    pairs = [(s, one) for one in outcomes for s in one.slips if wanted(s)]
    gross = [(s, one) for s, one in pairs if s.counts]
    entry = sum(_found(s, one.asked) for s, one in gross)
    either = sum(_found(s, one.asked | one.doubted) for s, one in gross)
    if not gross:
        return (len(pairs), 0, 0, 0, "–", "–")
    low, high = wilson(either / len(gross), len(gross))
    return (len(pairs), len(gross), entry, either, f"{100 * either / len(gross):.1f}",
            f"{100 * low:.1f} … {100 * high:.1f}")  # fmt: skip


def missed(outcomes: list[Outcome]) -> None:
    """Print every gross slip that was not pointed out."""
    for k, one in enumerate(outcomes):
        for slip in one.slips:
            if slip.counts and not _found(slip, one.asked | one.doubted):
                where = [(int(r) + 1, "xy"[a]) for r, a in np.argwhere(slip.gross)]
                print(f"session {k}, {one.suspension}: {slip.kind} at {where}")


if __name__ == "__main__":
    main()
