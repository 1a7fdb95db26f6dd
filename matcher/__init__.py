"""From a recording of the wanted sound to a patch.

The names below are loaded when they are first used, so that ``import matcher`` and the command
line's help cost nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matcher.calibrating import Calibration, calibrate, write_calibration
    from matcher.comparing import (
        Comparison,
        batch,
        compare,
        continue_comparison,
        load_comparison,
    )
    from matcher.explaining import Explanation
    from matcher.explaining.audition import Audition, audition
    from matcher.explaining.explain import explain
    from matcher.explaining.keyboard import Keyboard, keyboard
    from matcher.leave_out import match_leaving_out
    from matcher.matching import match
    from matcher.midi import ControllerSetting, controller_settings, write_midi_file
    from matcher.report import write_plots, write_report
    from matcher.result import LeftOutNote, MatchResult, NoteMatch
    from matcher.runs.folder import RunFolder, load_patch_and_structure, load_run, save_run
    from matcher.saving import (
        match_and_save,
        refine,
        refine_and_save,
        resume_match,
        resume_refine,
    )
    from matcher.sheet import SheetRow, patch_sheet, resting_controls
    from matcher.target import Target, TargetNote, load_target, target_from_signal

__all__ = [
    "Audition",
    "Calibration",
    "Comparison",
    "ControllerSetting",
    "Explanation",
    "Keyboard",
    "LeftOutNote",
    "MatchResult",
    "NoteMatch",
    "RunFolder",
    "SheetRow",
    "Target",
    "TargetNote",
    "audition",
    "batch",
    "calibrate",
    "compare",
    "continue_comparison",
    "controller_settings",
    "explain",
    "keyboard",
    "load_comparison",
    "load_patch_and_structure",
    "load_run",
    "load_target",
    "match",
    "match_and_save",
    "match_leaving_out",
    "patch_sheet",
    "refine",
    "refine_and_save",
    "resting_controls",
    "resume_match",
    "resume_refine",
    "save_run",
    "target_from_signal",
    "write_calibration",
    "write_midi_file",
    "write_plots",
    "write_report",
]

_HOMES = {
    "Audition": "matcher.explaining.audition",
    "Calibration": "matcher.calibrating",
    "Comparison": "matcher.comparing",
    "ControllerSetting": "matcher.midi",
    "Explanation": "matcher.explaining",
    "Keyboard": "matcher.explaining.keyboard",
    "LeftOutNote": "matcher.result",
    "MatchResult": "matcher.result",
    "NoteMatch": "matcher.result",
    "RunFolder": "matcher.runs.folder",
    "SheetRow": "matcher.sheet",
    "Target": "matcher.target",
    "TargetNote": "matcher.target",
    "audition": "matcher.explaining.audition",
    "batch": "matcher.comparing",
    "calibrate": "matcher.calibrating",
    "compare": "matcher.comparing",
    "continue_comparison": "matcher.comparing",
    "controller_settings": "matcher.midi",
    "explain": "matcher.explaining.explain",
    "keyboard": "matcher.explaining.keyboard",
    "load_comparison": "matcher.comparing",
    "load_patch_and_structure": "matcher.runs.folder",
    "load_run": "matcher.runs.folder",
    "load_target": "matcher.target",
    "match": "matcher.matching",
    "match_and_save": "matcher.saving",
    "match_leaving_out": "matcher.leave_out",
    "patch_sheet": "matcher.sheet",
    "refine": "matcher.saving",
    "refine_and_save": "matcher.saving",
    "resting_controls": "matcher.sheet",
    "resume_match": "matcher.saving",
    "resume_refine": "matcher.saving",
    "save_run": "matcher.runs.folder",
    "target_from_signal": "matcher.target",
    "write_calibration": "matcher.calibrating",
    "write_midi_file": "matcher.midi",
    "write_plots": "matcher.report",
    "write_report": "matcher.report",
}


def __getattr__(name: str) -> object:
    """Load a public name on first use (PEP 562)."""
    if name not in _HOMES:
        raise AttributeError(f"module 'matcher' has no attribute {name!r}")
    value = getattr(import_module(_HOMES[name]), name)
    globals()[name] = value
    return value
