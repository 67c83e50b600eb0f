"""The page: self-contained, complete, escaped, with pictures that show something."""

from __future__ import annotations

import base64
import re
from html.parser import HTMLParser
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
import report_pages
from run_on_disk import write_run

from hysteresis.bootstrap import Estimate
from hysteresis.cautions import CAUTIONS
from hysteresis.findings import Findings, gather
from hysteresis.report import render_html
from hysteresis.report.characteristic_parts import characteristic_terms
from hysteresis.report.drawing import AFTER, BEFORE, SHADES, WANTED
from hysteresis.report.fit_page import fit_page
from hysteresis.report.verify_page import verify_page
from hysteresis.report.words import DEFINITIONS, plain, with_interval
from hysteresis.run_folder import RunFolder

QUESTIONS = ("verify", "fit")
VOID = {"meta", "img", "br", "link", "input", "hr"}


class Page(HTMLParser):
    """Tags with their attributes, the visible text, and whether every tag is closed in order."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []
        self.open: list[str] = []
        self.feed(html)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open and self.open[-1] == tag, (tag, self.open[-3:])
        self.open.pop()

    def handle_data(self, data):
        if not (self.open and self.open[-1] == "style"):
            self.text.append(data)

    @property
    def words(self) -> str:
        return " ".join(" ".join(self.text).split())


@pytest.fixture(scope="module")
def findings() -> Findings:
    return report_pages.findings()


@pytest.fixture(scope="module")
def htmls() -> dict[str, str]:
    return {question: render_html(report_pages.page(question)) for question in QUESTIONS}


@pytest.fixture(scope="module")
def pages(htmls: dict[str, str]) -> dict[str, Page]:
    return {question: Page(html) for question, html in htmls.items()}


@pytest.mark.parametrize("question", QUESTIONS)
def test_every_tag_is_closed(pages: dict[str, Page], question: str) -> None:
    assert pages[question].open == []


@pytest.mark.parametrize("question", QUESTIONS)
def test_nothing_is_fetched_from_anywhere(
    htmls: dict[str, str], pages: dict[str, Page], question: str
) -> None:
    html, page = htmls[question], pages[question]
    without_pictures = re.sub(r"data:(image/png|text/csv;charset=utf-8);base64,[\w+/=]+", "", html)
    assert not re.search(r"(https?|file|ftp):|//\w|url\(|@import", without_pictures)
    assert {tag for tag, _ in page.tags}.isdisjoint(
        {"script", "link", "iframe", "object", "embed", "form", "base", "video", "audio"}
    )
    for tag, attributes in page.tags:
        if "src" in attributes:
            assert tag == "img" and str(attributes["src"]).startswith("data:image/png;base64,")
        if "href" in attributes:
            href = str(attributes["href"])
            assert href.startswith("#") or (
                "download" in attributes and href.startswith("data:text/csv;charset=utf-8;base64,")
            )
        assert not any(name.startswith("on") for name in attributes)
    policy = next(a for t, a in page.tags if a.get("http-equiv") == "Content-Security-Policy")
    assert str(policy["content"]).startswith("default-src 'none'")


@pytest.mark.parametrize(
    ("question", "sections"),
    [("verify", {"path", "parks", "trust"}), ("fit", {"figures", "memory", "model"})],
)
def test_every_anchor_has_its_section(
    pages: dict[str, Page], question: str, sections: set[str]
) -> None:
    page = pages[question]
    ids = [a["id"] for _, a in page.tags if "id" in a]
    assert len(ids) == len(set(ids))
    hrefs = [str(a["href"]) for _, a in page.tags if "href" in a]
    anchors = {href[1:] for href in hrefs if href.startswith("#")}
    assert anchors <= set(ids)
    assert {"short", "cautions", "definitions", "origin"} | sections <= anchors
    assert "missing" not in ids  # nothing is


@pytest.mark.parametrize(
    ("question", "expected"),
    [
        ("verify", ("map", "left-over", "along", "clouds", "starts")),
        ("fit", ("agreement", "excursion", "dwell", "recovery", "loops", "residuals", "budget")),
    ],
)
def test_every_picture_is_there_and_shows_something(
    pages: dict[str, Page], question: str, expected: tuple[str, ...]
) -> None:
    from PIL import Image

    page = pages[question]
    keys = [str(a["id"]) for t, a in page.tags if t == "figure"]
    assert keys == [f"figure-{k}" for k in expected]
    images = [a for t, a in page.tags if t == "img"]
    assert len(images) == len(keys)
    for attributes in images:
        data = base64.b64decode(str(attributes["src"]).split(",", 1)[1])
        picture = np.asarray(Image.open(BytesIO(data)).convert("L"), dtype=float)
        assert picture.shape[1] == 1064  # 5.6 inches at 190 dots per inch
        assert 0.01 < np.mean(picture < 200) < 0.5  # ink, but not a blot
        assert len(str(attributes["alt"])) > 20


def test_every_part_of_the_story_is_told(pages: dict[str, Page], findings: Findings) -> None:
    for page in pages.values():
        for caution in CAUTIONS:
            assert " ".join(caution.split()) in page.words
        for source in findings.sources:
            assert source.sha256 in page.words and source.file in page.words
        for words in (report_pages.NOTE, report_pages.COMMAND, findings.software):
            assert words in page.words, words
    both = pages["verify"].words + pages["fit"].words
    told = {name.lower() for name, _ in characteristic_terms(findings)}
    for name, text in DEFINITIONS:
        assert name in both or name.lower() in told
        assert " ".join(text.split()) in both or name.lower() in told
    assert findings.pairs
    for pair in findings.pairs:
        assert pair.definition.source in pages["fit"].words
    for words in ("error on the traced path, rms", "20 times less", "Layer by layer",
                  "lies within the interval foretold"):  # fmt: skip
        assert words in pages["verify"].words, words
    for words in (
        "Return-to-zero errors", "Repeatability", "at its bound", "What the residuals say",
        "reversal value" if findings.measured and findings.measured.reversal else "hysteresis of x",
        "The heating of axis x is not identifiable from these data.",
    ):  # fmt: skip
        assert words in pages["fit"].words, words


def test_the_figures_on_the_pages_are_those_that_were_found(
    pages: dict[str, Page], findings: Findings
) -> None:
    assert findings.played is not None and findings.measured is not None
    for row in findings.played.rows:
        for cell in (row.before, row.after, row.ratio):
            assert with_interval(cell) in pages["verify"].words
    first = findings.measured.returns[0].first
    assert f"{first.error_mm:.3f}".replace("-", "−") in pages["fit"].words


def test_every_figure_names_run_files_hashes_and_command(
    pages: dict[str, Page], findings: Findings
) -> None:
    short = {s.what: f"{s.file} {s.sha256[:12]}" for s in findings.sources}
    assert (
        f"Run run · {short['pattern']}, {short['recording']} · {report_pages.COMMAND}"
        in pages["fit"].words
    )
    assert f"Run run · {short['wanted path']}" in pages["verify"].words
    for page in pages.values():
        figures = sum(tag == "figure" for tag, _ in page.tags)
        assert page.words.count("Run run · ") == figures
        assert sum("download" in a for _, a in page.tags) == figures


def test_names_and_notes_are_escaped(tmp_path: Path) -> None:
    evil = "<script>alert(1)</script> & <b>'x'</b>"
    run = write_run(tmp_path / "run", name=f'"""{evil}"""', suspension='"<i>&amp;"')
    (run / "recording.csv").unlink()  # fewer pictures to draw
    with report_pages.small_pictures():
        text = render_html(verify_page(gather(RunFolder(run), note=evil, command=evil)))
    assert "<script" not in text and "<b>" not in text and "<i>&" not in text
    page = Page(text)
    assert page.words.count(evil) >= 3  # title, heading, note: shown as it was typed


def test_a_part_of_a_run_makes_a_page_too(tmp_path: Path) -> None:
    run = write_run(tmp_path / "run")
    for name in ("model.json", "job.json", "planned.csv", "plain.csv", "compensated.csv"):
        (run / name).unlink()
    found = gather(RunFolder(run), characteristics=True)
    with report_pages.small_pictures():
        page = Page(render_html(verify_page(found)))
        ids = {a.get("id") for _, a in page.tags}
    assert {"memory", "missing", "cautions"} <= ids and not {"path", "model"} & ids
    assert "No path has been played yet." in page.words
    assert f"hysteresis fit {run}" in page.words
    of_fit = Page(render_html(fit_page(found)))
    ids = {a.get("id") for _, a in of_fit.tags}
    assert {"memory", "missing", "figures"} <= ids and "model" not in ids


@pytest.mark.parametrize("gone", ["plain.csv", "compensated.csv"])
def test_one_side_played_makes_a_page_too(tmp_path: Path, gone: str) -> None:
    run = write_run(tmp_path / "run")
    (run / gone).unlink()
    (run / "recording.csv").unlink()
    with report_pages.small_pictures():
        page = Page(render_html(verify_page(gather(RunFolder(run)))))
    ids = {a.get("id") for _, a in page.tags}
    assert "figure-map" in ids
    assert ("figure-left-over" in ids) == (gone == "plain.csv")
    assert "compensation." in page.words


def test_lines_stay_apart_in_grey() -> None:
    """Wanted, before and after differ by a fifth of the way from black to white, and in style.

    Relative luminance of ITU-R BT.709 (from memory).
    """

    def grey(colour: str) -> float:
        parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
        return 0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2]

    greys = sorted(grey(str(style["color"])) for style in (WANTED, BEFORE, AFTER))
    assert min(np.diff(greys)) > 0.15
    assert BEFORE["linestyle"] != AFTER["linestyle"]
    shades = [grey(s) for s in SHADES]
    assert np.all(np.diff(shades) < -0.03)  # longer dwells are darker


@pytest.mark.parametrize(
    ("estimate", "text"),
    [
        (Estimate(1.8312, 1.7253, 1.9220), "1.831 (1.725 … 1.922)"),
        (Estimate(0.0807, 0.0730, 0.0879), "0.0807 (0.0730 … 0.0879)"),
        (Estimate(-0.0055, -0.0155, 0.0043), "−0.0055 (−0.0155 … 0.0043)"),
        (Estimate(24.2, 14.1, 33.9), "24.2 (14.1 … 33.9)"),
        (Estimate(3.5929), "3.59"),
        (Estimate(0.0), "0"),
        (Estimate(float("nan")), "–"),
        (None, "–"),
    ],
)
def test_figures_carry_as_many_digits_as_their_interval_allows(estimate, text: str) -> None:
    """Two digits of the interval's half width (JCGM 100, 7.2.6)."""
    expected = with_interval(estimate)
    assert expected == text


def test_plain_numbers() -> None:
    assert [plain(v) for v in (0.08074, 12.345, 1234.5, -0.5, 1e-12, 0.99996, 0.0)] == [
        "0.0807", "12.3", "1230", "−0.500", "1.00e-12", "1.00", "0",
    ]  # fmt: skip
    assert plain(1.0 - 1e-12, 2) == "1.0"
