"""All kinds of input that are fuzzed."""

from __future__ import annotations

from tests.benchmarks.fuzz.kept_subjects import KEPT_SUBJECTS
from tests.benchmarks.fuzz.page_subject import PAGE_SUBJECTS
from tests.benchmarks.fuzz.subjects import SUBJECTS

__all__ = ["EVERY"]

EVERY = {**SUBJECTS, **{each.name: each for each in (*KEPT_SUBJECTS, *PAGE_SUBJECTS)}}
