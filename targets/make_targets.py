"""Make the demo targets of the invented theatre pit, or check the files that are there.

python targets/make_targets.py            writes the FLAC files and manifest.toml
python targets/make_targets.py --check    makes them in memory and compares; exit 1 if they differ
"""

from __future__ import annotations

import argparse
import io
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import soundfile as sf

# Run as a script, Python looks beside this file only, not where `shared` and `targets` lie.
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from shared.errors import FileError
from shared.files import write_atomic
from targets.bodies import in_the_pit
from targets.cues import COMPANY, CUES, LICENCE, SHOW
from targets.partials import SAMPLE_RATE_HZ

if TYPE_CHECKING:
    from collections.abc import Sequence

    from targets.cues import Cue

    Samples = npt.NDArray[np.int16]

HERE = Path(__file__).resolve().parent
FLOOR_DBFS = -75.0
FULL_SCALE = 32_767
# Sines of other processors and libraries may differ in their last bit, which can tip a rounding.
TOLERANCE_LSB = 1


def make_samples(cue: Cue) -> Samples:
    """Make the sound of one cue."""
    take = cue.take
    signal = in_the_pit(take, cue.play(take), peak_dbfs=cue.peak_dbfs, floor_dbfs=FLOOR_DBFS)
    dice = take.dice("dither")
    dither = dice.uniform(-0.5, 0.5, signal.size) + dice.uniform(-0.5, 0.5, signal.size)
    return np.rint(signal * FULL_SCALE + dither).astype(np.int16)


def flac_bytes(samples: Samples) -> bytes:
    """Encode mono samples, shape=(n_samples,), as a 16-bit FLAC file at 44.1 kHz."""
    buffer = io.BytesIO()
    sf.write(buffer, samples, SAMPLE_RATE_HZ, format="FLAC", subtype="PCM_16")
    return buffer.getvalue()


def manifest_text(cues: Sequence[Cue]) -> str:
    """Write the manifest of the cues."""
    lines = [
        "# Written by make_targets.py; change cues.py instead.",
        *_toml_lines({"company": COMPANY, "show": SHOW, "licence": LICENCE}),
    ]
    for cue in cues:
        entry: dict[str, str | float] = {
            "file": cue.file,
            "title": cue.title,
            "instrument": cue.instrument,
            "pitch": cue.pitch,
            "velocity": cue.velocity,
            "gate_s": cue.gate_s,
            "onset_s": cue.take.onset_s,
            "listen_for": cue.listen_for,
            "licence": LICENCE,
        }
        lines += ["", "[[target]]", *_toml_lines(entry)]
    return "\n".join(lines) + "\n"


def _toml_lines(entry: dict[str, str | float]) -> list[str]:
    """Return ``key = value`` lines; a JSON string or number is a TOML one too."""
    return [f"{key} = {json.dumps(value)}" for key, value in entry.items()]


def write_targets(folder: Path) -> None:
    """Write every sound file and the manifest into `folder`, over what is there."""
    for cue in CUES:
        data = flac_bytes(make_samples(cue))
        write_atomic(folder / cue.file, data, overwrite=True)
        print(f"{cue.file}: {len(data):,} bytes")
    write_atomic(folder / "manifest.toml", manifest_text(CUES), overwrite=True)


def differences(folder: Path) -> list[str]:
    """Compare the files in `folder` with what the script makes now."""
    found = [line for cue in CUES if (line := _difference(folder / cue.file, cue))]
    manifest = folder / "manifest.toml"
    if not manifest.is_file():
        found.append(f"{manifest.name}: missing.")
    elif manifest.read_text(encoding="utf-8") != manifest_text(CUES):
        found.append(f"{manifest.name}: other text than the cue list gives.")
    known = {cue.file for cue in CUES}
    strays = sorted(path.name for path in folder.glob("*.flac") if path.name not in known)
    return found + [f"{name}: not in the cue list." for name in strays]


def _difference(path: Path, cue: Cue) -> str:
    """Say how a sound file differs from its cue; empty if it doesn't."""
    if not path.is_file():
        return f"{path.name}: missing."
    try:
        stored, sample_rate_hz = sf.read(path, dtype="int16")
    except sf.LibsndfileError as error:
        return f"{path.name}: can't be read ({error.error_string})."
    made = make_samples(cue)
    if sample_rate_hz != SAMPLE_RATE_HZ or stored.shape != made.shape:
        return (
            f"{path.name}: {sample_rate_hz} Hz and shape {stored.shape}; "
            f"{SAMPLE_RATE_HZ} Hz and {made.shape} are made."
        )
    worst = int(np.abs(stored.astype(np.int32) - made).max())
    if worst > TOLERANCE_LSB:
        return f"{path.name}: samples differ by up to {worst} steps of 16 bits."
    return ""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run from the command line; return the exit code, 1 if ``--check`` finds a difference."""
    parser = argparse.ArgumentParser(description="Make or check the demo targets.")
    parser.add_argument("--check", action="store_true", help="compare only, write nothing")
    parser.add_argument(
        "--folder", type=Path, default=HERE, help="where the targets lie (beside this script)"
    )
    options = parser.parse_args(arguments)
    if not options.folder.is_dir():
        parser.error(f"--folder {options.folder} is not a folder; name one that exists.")
    if not options.check:
        try:
            write_targets(options.folder)
        except FileError as error:
            parser.error(str(error))
        return 0
    found = differences(options.folder)
    for line in found:
        print(line, file=sys.stderr)
    if found:
        print("Run python targets/make_targets.py to make them anew.", file=sys.stderr)
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
