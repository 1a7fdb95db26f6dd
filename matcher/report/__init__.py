"""The report of a run: one page with sounds, pictures, and the patch sheet.

`assets/` holds the style and the players, `templates/` the markup; `matcher.page` shows the same.
"""

from __future__ import annotations

from matcher.report.picture_files import write_plots
from matcher.report.terminal import format_run
from matcher.report.writing import (
    REPORT_FILE,
    RIGHTS_NOTE,
    asset_text,
    is_comparison,
    render_comparison,
    render_report,
    render_template,
    write_report,
)

__all__ = [
    "REPORT_FILE",
    "RIGHTS_NOTE",
    "asset_text",
    "format_run",
    "is_comparison",
    "render_comparison",
    "render_report",
    "render_template",
    "write_plots",
    "write_report",
]
