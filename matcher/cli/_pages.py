"""The report that commands leave behind in a run folder."""

from __future__ import annotations

import contextlib
import sys
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matcher.runs.folder import RunFolder

__all__: list[str] = []


def write_page(run: RunFolder | Path | str) -> None:
    """Write a report; what is saved already does not fail for want of its page."""
    from matcher.report import write_report  # noqa: PLC0415  keeps the help quick
    from shared import EarwrightError  # noqa: PLC0415

    try:
        # Only the result of a command goes to stdout.
        with contextlib.redirect_stdout(sys.stderr):
            write_report(run)
    except EarwrightError as error:
        sys.stderr.write(f"earwright: note: the report could not be written: {error}\n")


def refresh_page(run: Path | str) -> None:
    """Write the report anew if the run has one, so that it tells about the present patch."""
    from matcher.report import REPORT_FILE  # noqa: PLC0415  keeps the help quick

    if (Path(run) / REPORT_FILE).is_file():
        write_page(run)
