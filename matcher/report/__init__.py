"""The report of a run: one page with sounds, pictures, and the patch sheet.

`assets/` holds the style and the players, `templates/` the markup; `matcher.page` shows the same.
"""

from __future__ import annotations

from matcher.report.terminal import format_run
from matcher.report.writing import (
    is_comparison,
    render_comparison,
    render_report,
    write_plots,
    write_report,
)
from matcher.runs.layout import REPORT_FILE

__all__ = [
    "REPORT_FILE",
    "format_run",
    "is_comparison",
    "render_comparison",
    "render_report",
    "write_plots",
    "write_report",
]
