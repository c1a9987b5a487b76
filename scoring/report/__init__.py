"""Reports: a score as one HTML page that works offline, on paper, by keyboard and for a colour-blind reader."""

from __future__ import annotations

from .comparepage import compare_html
from .page import report_html
from .trendpage import trend_html

__all__ = ["compare_html", "report_html", "trend_html"]
