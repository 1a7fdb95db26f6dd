"""What the routes work with: all that the page finds in one folder."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matcher.comparing.running import BESIDE_S
from matcher.defaults import DEFAULT_STRUCTURE
from matcher.losses import PRESETS, TERM_WORDS
from matcher.page.jobs import PageJobs
from matcher.page.runs import PageComparisons, PageRuns
from matcher.page.sounds import SoundCache
from matcher.page.structures import PageStructures
from matcher.page.targets import PageTargets
from matcher.page.uploads import Uploads
from shared import HEARING_CAUTION, Note, Patch, usable_cores

if TYPE_CHECKING:
    from threading import Event

    from matcher.page.workspace import Workspace


class PageContext:
    """Targets, structures, runs, comparisons, jobs and sounds of a workspace."""

    def __init__(self, workspace: Workspace, ending: Event) -> None:
        self.workspace = workspace
        self.targets = PageTargets(workspace)
        self.uploads = Uploads(workspace.targets)
        self.structures = PageStructures(workspace)
        self.runs = PageRuns(workspace)
        self.comparisons = PageComparisons(workspace)
        self.jobs = PageJobs(workspace)
        self.sounds = SoundCache()
        self.is_voice_ready = False
        self.ending = ending

    def warm_up(self) -> None:
        """Compile the voice before the first key is pressed, or load what was compiled."""
        self.sounds.play(Patch("plain"), Note(60.0, gate_s=0.1))
        self.is_voice_ready = True

    def describe(self) -> dict[str, object]:
        """Say what there is, and what can be chosen."""
        return {
            "folder": self.workspace.root.name,
            "caution": HEARING_CAUTION,
            "is_voice_ready": self.is_voice_ready,
            "targets": self.targets.names(),
            "runs": self.runs.list_all(),
            "left_out": self.workspace.left_out(),
            "interrupted": self.runs.interrupted(),
            "comparisons": self.comparisons.names(),
            "jobs": [job.to_dict() for job in self.jobs.list_all()[:40]],
            "structures": self.structures.list_all(),
            "default_structure": DEFAULT_STRUCTURE,
            "n_at_once": usable_cores(),
            "beside_s": BESIDE_S,
            "presets": {name: name for name in PRESETS},
            "term_words": dict(TERM_WORDS),
        }
