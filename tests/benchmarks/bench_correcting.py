"""How soon takes of an instrument that isn't the voice bring its panel to the patch.

``python -m tests.benchmarks.bench_correcting [ROUNDS]`` plays the stand-in of
``tests/matcher/correcting`` live (Csound has to be installed): per round its phases and drift are
others, the printed patch is dialled, recorded, and corrected twice. Printed is how far the
settings are away in each take, in just-noticeable differences. Then come recordings that are no
takes.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path

import numpy as np
import soundfile

from matcher.correcting import correct
from tests.matcher.correcting.stand_in import KNOBS, NAMES, PANEL, dialled_run, mark, play
from voice import load_structure

N_TAKES = 3
OTHERS = {
    "an octave higher": (KNOBS, {"midi_pitch": 69.0}),
    "another key": (KNOBS, {"midi_pitch": 60.0}),
    "held longer": (KNOBS, {"gate_s": 1.2}),
    "held shorter": (KNOBS, {"gate_s": 0.25}),
    "another patch": ({**KNOBS, "cutoff": 7.0, "attack": 6.0, "sustain": 2.0}, {}),
    "a duller patch": ({**KNOBS, "second": 0.0, "cutoff": 2.0, "depth": 1.0}, {}),
}


def main() -> None:
    """Correct, print, and try what must be refused."""
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 3
    structure = load_structure(PANEL)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        run = dialled_run(folder)
        away = []
        for number in range(rounds):
            shutil.rmtree(run / "takes", ignore_errors=True)
            knobs, found = dict(KNOBS), []
            for i in range(N_TAKES):
                file = folder / f"take-{number}-{i}.wav"
                sound, rate = play(knobs, seed=100 + N_TAKES * number + i)
                soundfile.write(file, sound, rate, subtype="FLOAT")
                correction = correct(run, [file])
                if correction.problems:
                    print(f"round {number}: a good take is refused: {correction.problems}")
                    break
                found.append(correction.settings_distance)
                for turn in correction.turns:
                    knob = next(each for each, name in NAMES.items() if name == turn.name)
                    knobs[knob] = mark(structure, turn.name, turn.to_value)
            away.append(found)
            print(f"round {number}: " + ", ".join(f"{x:.2f}" for x in found), flush=True)
        whole = [found for found in away if len(found) == N_TAKES]
        if whole:
            print("median: " + ", ".join(f"{x:.2f}" for x in np.median(whole, axis=0)))
        for what, (knobs, how) in OTHERS.items():
            file = folder / "other.wav"
            sound, rate = play(knobs, seed=7, **how)
            soundfile.write(file, sound, rate, subtype="FLOAT")
            told = correct(run, [file], dry_run=True).problems
            print(f"{what}: {told[0] if told else 'TAKEN'}", flush=True)


if __name__ == "__main__":
    main()
