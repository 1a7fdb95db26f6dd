"""``earwright render``: one note of a patch, as an audio file."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from matcher.cli._parser import gate_s, pitch, seed, velocity, whole_number

if TYPE_CHECKING:
    import argparse

    from matcher.cli._parser import Subparsers
    from shared import Note, Patch

__all__ = ["add_parser", "run"]

SUMMARY = "play one note of a patch into an audio file"
DESCRIPTION = """\
Play one note of a patch into an audio file (24 bit, mono).

Give a patch file, or a run folder: then pitch, velocity and gate are those of
the target's first note unless they are given. The sound lasts until the release
has died away. Its level is limited in peak and loudness.
"""
EXAMPLES = """\
examples:
  earwright render runs/horn/patch.json --pitch C5 --velocity 80 --gate 0.5
  earwright render runs/horn --out horn.wav
  earwright render runs/horn@final --out before.wav
  earwright render brass.json --pitch 60.25 --rate 96000 --out brass.flac
"""

# Half a tenth of a dB: less would be printed as 0.0 dB.
SHOWN_GAIN = 10.0 ** (-0.05 / 20.0)


def add_parser(subparsers: Subparsers) -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "render", help=SUMMARY, description=DESCRIPTION, epilog=EXAMPLES
    )
    parser.add_argument(
        "patch", metavar="PATCH", help="patch file (JSON), run folder or RUN@VERSION"
    )
    note = parser.add_argument_group("note")
    note.add_argument(
        "--pitch", type=pitch, metavar="P", help="note name or MIDI pitch (default: C4)"
    )
    note.add_argument("--velocity", type=velocity, metavar="V", help="1 to 127 (default: 100)")
    note.add_argument(
        "--gate", type=gate_s, metavar="S", help="how long the key is held, in s (default: 1)"
    )
    output = parser.add_argument_group("output")
    output.add_argument(
        "--out",
        metavar="FILE",
        help="audio file: .wav, .flac or .aiff (default: NAME_PITCH_vVELOCITY.wav)",
    )
    output.add_argument("--force", action="store_true", help="replace the file if it exists")
    output.add_argument(
        "--rate",
        type=whole_number(8000, 192_000, "a whole number from 8000 to 192000 Hz"),
        default=44_100,
        metavar="HZ",
        help="sampling rate (default: %(default)s)",
    )
    output.add_argument(
        "--seed", type=seed, metavar="N", help="seed of the noise (default: as matched, or 0)"
    )


def run(arguments: argparse.Namespace) -> int:
    """Render, write, and print what was written."""
    from shared import write_recording  # noqa: PLC0415  keeps the help quick
    from voice import render  # noqa: PLC0415

    patch, note = _load(arguments)
    path = _output_path(arguments, note)
    sound = render(
        patch,
        midi_pitch=note.midi_pitch,
        velocity=note.velocity,
        gate_s=note.gate_s,
        sample_rate_hz=arguments.rate,
        seed=_noise_seed(patch) if arguments.seed is None else arguments.seed,
    )
    gain = write_recording(path, sound, arguments.rate, overwrite=arguments.force)
    lines = _report(path, note, len(sound), arguments.rate, gain)
    if not sound.any():
        lines.insert(1, "it is silent: no level of the patch is above 0")
    sys.stdout.write("".join(f"{line}\n" for line in lines))
    return 0


def _load(arguments: argparse.Namespace) -> tuple[Patch, Note]:
    """Load the patch, and decide which note is played."""
    from matcher.runs import find_version, split_version  # noqa: PLC0415
    from matcher.runs.run_folder import load_run  # noqa: PLC0415  keeps the help quick
    from shared import Note, Patch  # noqa: PLC0415

    note = Note(60.0)
    path, version = split_version(arguments.patch)
    if path.is_dir():
        folder = load_run(path)
        patch, note = folder.patch, folder.notes[0].played
        if version is not None:
            patch = find_version(path, version).patch
    else:
        patch = Patch.load(arguments.patch)
    given = {
        "midi_pitch": arguments.pitch,
        "velocity": arguments.velocity,
        "gate_s": arguments.gate,
    }
    return patch, replace(note, **{k: value for k, value in given.items() if value is not None})


def _output_path(arguments: argparse.Namespace, note: Note) -> Path:
    """Decide where to write, and refuse a file that is there."""
    from shared import FileError, pitch_name  # noqa: PLC0415  keeps the help quick

    if arguments.out is None:
        # Of patch.json in a run folder, the folder's name tells more.
        source = Path(arguments.patch).resolve()
        stem = source.parent.name if source.name == "patch.json" else source.stem
        pitch_text = pitch_name(note.midi_pitch).removesuffix(" cents").replace(" ", "")
        path = Path(f"{stem or 'patch'}_{pitch_text}_v{note.velocity}.wav")
    else:
        path = Path(arguments.out)
    if path.exists() and not arguments.force:
        raise FileError(
            f"{path} exists already and is kept. Name another file with --out, or add --force to "
            "replace it.",
            path=path,
        )
    return path


def _noise_seed(patch: Patch) -> int:
    """Return the seed that the patch was matched with, so that the noise is the same."""
    settings = patch.provenance.get("settings")
    told = settings if isinstance(settings, dict) else {}
    value = told.get("noise_seed", told.get("seed"))
    return value if isinstance(value, int) and value >= 0 else 0


def _report(path: Path, note: Note, n_samples: int, rate: int, gain: float) -> list[str]:
    """Say what was written."""
    from matcher.texts.match_printout import SHORT_CAUTION  # noqa: PLC0415  keeps the help quick
    from shared import (  # noqa: PLC0415
        MAX_LOUDNESS_LUFS,
        MAX_TRUE_PEAK_DBTP,
        amplitude_to_db,
        pitch_name,
        samples_to_seconds,
    )

    duration_s = samples_to_seconds(float(n_samples), rate)
    text = (
        f"{path}: {pitch_name(note.midi_pitch)}, velocity {note.velocity}, gate "
        f"{note.gate_s:.2f} s; {duration_s:.2f} s at {rate} Hz"
    )
    lines = [text]
    if gain < SHOWN_GAIN:
        lines.append(
            f"turned down by {-amplitude_to_db(gain):.1f} dB to stay within "
            f"{MAX_TRUE_PEAK_DBTP:g} dBTP and {MAX_LOUDNESS_LUFS:g} LUFS"
        )
    return [*lines, SHORT_CAUTION]
