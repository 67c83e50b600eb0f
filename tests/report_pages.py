"""One page per question out of small invented results, for the tests of reports.

Names are hard on purpose: markup, and words longer than a narrow screen. Each page is made once
per test run, whichever process asks first (`shared.once`).
"""

from __future__ import annotations

import shutil
from dataclasses import replace
from functools import cache, partial
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np
from compare_data import DRIVE, ERROR, values_of
from run_on_disk import write_run
from shared import once, shared_place
from test_quality_report import invented_quality

from hysteresis.compare.designs import compare_figure
from hysteresis.compare.on_path import PathAsked, compare_on_path
from hysteresis.compare.ranking import criteria_of, rank
from hysteresis.compare.results import ComparedRun, Comparison, LeftOut, PathForecast
from hysteresis.compare.verdict import verdict_of
from hysteresis.compensate.job import PathOptions
from hysteresis.files import sha256_of
from hysteresis.findings import Findings, Source, gather
from hysteresis.measure.quality import write_quality
from hysteresis.recheck.log import KEYS, history
from hysteresis.recheck.results import (
    WORDS,
    Judgement,
    LogRow,
    OnPath,
    QuickUpdate,
    RecheckHistory,
    Shift,
)
from hysteresis.report import drawing
from hysteresis.report.compare_page import compare_page
from hysteresis.report.fit_page import fit_page
from hysteresis.report.page import Page, Provenance
from hysteresis.report.pdf import render_pdf
from hysteresis.report.recheck_page import recheck_page
from hysteresis.report.verify_page import verify_page
from hysteresis.run_folder import RunFolder

QUESTIONS = ("fit", "verify", "compare", "recheck")
EVIL = "<script>alert(1)</script> & <b>'x'</b>"
LONG = "braided" * 9  # 63 letters without a place to break
NOTE, COMMAND = "Simulated: invented data.", "hysteresis report run --question QUESTION"


@cache
def folder() -> Path:
    """A folder that goes when the tests end, the same for all processes of a test run."""
    return shared_place("report-pages")


@cache
def run() -> RunFolder:
    """A whole run with a judged measurement."""
    found: RunFolder = once("report-run", _run)
    return found


def small_pictures() -> Any:
    """Context in which pictures are drawn coarsely: for pages whose words alone are looked at."""
    return mock.patch.object(drawing, "DPI", 50)


def _run() -> RunFolder:
    place = folder() / "run"
    shutil.rmtree(place, ignore_errors=True)  # of a try that was broken off
    found = RunFolder(write_run(place, name=f'"""{EVIL} {LONG}"""', suspension=f'"{LONG}"'))
    write_quality(found.quality_json, invented_quality(), sha256_of(found.recording_csv))
    return found


@cache
def findings() -> Findings:
    found: Findings = once("report-findings", _findings)
    return found


def _findings() -> Findings:
    return replace(
        gather(run(), note=NOTE, command=COMMAND, characteristics=True),
        made_at="2026-01-02 03:04 UTC",
    )


@cache
def comparison() -> Comparison:
    """Three invented designs, foretold on a path; the loops are those of the run."""
    groups = {
        LONG: [2.0, 2.2, 1.9], "cord <i>": [1.0, 1.1, 0.9], "flexure": [0.02, 0.025, 0.022],
    }  # fmt: skip
    figures = (
        compare_figure(ERROR, "xy", (), values_of(groups, 0.01), level=0.95),
        compare_figure(DRIVE, "xy", (), values_of(groups, 0.01), level=0.95),
    )
    file = folder() / "tile.csv"
    file.write_text("x")
    forecasts = [
        PathForecast(
            f"{name} {k}",
            name,
            str(k),
            10 * v,
            9 * v,
            11 * v,
            10 * v,
            0.0,
            0.0,
            v / 10,
            v / 12,
            v / 8,
            100.0,
            80.0,
            120.0,
            0,
        )
        for name, values in groups.items()
        for k, v in enumerate(values)
    ]
    path = compare_on_path(forecasts, PathAsked(file, PathOptions(), 30.0), tolerance_mm=0.1,
                           level=0.95)  # fmt: skip
    ranking = rank(criteria_of((), figures), figures, level=0.95, seed=1)
    measured = findings().measured
    assert measured is not None
    runs = tuple(
        ComparedRun(
            f"{name} {k}", f"runs/{name}-{k}", name, str(k), 21.0, True, f"{k:064x}",
            "hysteresis 0", "both", measured.loops, dict(measured.lines), measured.recoveries,
        )
        for name in groups
        for k in range(3)
    )  # fmt: skip
    return Comparison(
        runs=runs, left_out=(LeftOut("runs/other", "run", "another geometry", "mend <it>"),),
        notes=("one note",), optics=findings().bench.optics, tolerance_mm=0.1, figures=figures,
        path=path, ranking=ranking, verdict=verdict_of(ranking, path, 0.95, ""), level=0.95,
        seed=1, made_at="2026-01-02 03:04 UTC", software="hysteresis 0", command=COMMAND,
        methods=("an invented method",),
    )  # fmt: skip


def judgement() -> Judgement:
    """A recheck that blames the friction of x."""
    shifts = tuple(
        Shift(axis, direction, 0.01 * k, 0.02, k == 8, 0.08 if k == 8 else 0.0, 0.015)
        for k, (axis, direction) in enumerate((a, d) for a in "yx" for d in reversed(WORDS))
    )
    return Judgement(
        "watch", 31.0, 10, 0.0006, shifts,
        OnPath(f"the last job {EVIL}", 0.06, 0.03, 0.09, 0.14, 0.1), "the reference of 2026-01-01",
        "2026-01-01", 0.02, 0.004, 0.016, ("something has changed", f"mind {LONG}"),
    )  # fmt: skip


def past(count: int = 14) -> RecheckHistory:
    """A log with a lasting change near its end."""
    rng = np.random.default_rng(5)
    rows = []
    for k in range(count):
        moved = 0.06 if k > count - 4 else 0.0
        values = {key: float(moved + 0.01 * rng.standard_normal()) for key in KEYS}
        rows.append(
            LogRow(
                f"2026-{1 + k // 28:02d}-{1 + k % 28:02d}", f"record-{k}", "A", "0123456789ab",
                "camera", "watch" if moved else "pass", "", 0.02 + moved, 0.05 + moved, 0.1,
                0.01 + 0.001 * float(rng.random()), 0.4, 20.0 + 0.3 * k,
                "friction_x" if moved else "", values, dict.fromkeys(values, 0.02),
            )
        )  # fmt: skip
    whole = history(tuple(rows))
    # three charts are enough to look at: friction, fast after-effect, returns
    return replace(whole, charts=(*whole.charts[:2], whole.charts[-1]))


@cache
def page(question: str) -> Page:
    """The page of one question."""
    found: Page = once(f"report-page-{question}", partial(_page, question))
    return found


@cache
def pdf(question: str) -> bytes:
    """The same as PDF."""
    found: bytes = once(f"report-pdf-{question}", lambda: render_pdf(page(question)))
    return found


def _page(question: str) -> Page:
    if question == "fit":
        return fit_page(findings())
    if question == "verify":
        return verify_page(findings())
    if question == "compare":
        return compare_page(comparison(), COMMAND)
    origin = Provenance(
        "run", (Source("recheck", "recheck.json", "ab" * 32),
                Source("log of rechecks", "recheck_log.csv", "cd" * 32)), COMMAND,
    )  # fmt: skip
    made = recheck_page(
        judgement(), past(), findings().bench, origin, record="2026-01-14", note=NOTE,
        update=QuickUpdate(True, "the repeat", 0.05, 0.01, ("one of two",)),
    )  # fmt: skip
    return replace(made, made_at="2026-01-02 03:04 UTC")
