"""Reports: one page per question, drawn from results as HTML and PDF; computes nothing."""

from __future__ import annotations

from hysteresis.report.commands import write_compare, write_recheck
from hysteresis.report.html import render_html
from hysteresis.report.write import refuse_targets, write_page

__all__ = ["refuse_targets", "render_html", "write_compare", "write_page", "write_recheck"]
