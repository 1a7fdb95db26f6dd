"""The commands that play a patch: `render`, `audition`, `keyboard`."""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from matcher.cli._pages import refresh_page
from matcher.cli._parser import (
    Command,
    CommandLineError,
    add_version,
    gate_s,
    number,
    one_or_list,
    pitch,
    seed,
    velocity,
    whole_number,
)

if TYPE_CHECKING:
    import argparse

    from matcher.cli._parser import Parser
    from shared import Note, Patch

__all__: list[str] = []

# Half a tenth of a dB: less would be printed as 0.0 dB.
SHOWN_GAIN = 10.0 ** (-0.05 / 20.0)


def _render_options(parser: Parser) -> None:
    """Add what `render` takes."""
    parser.add_argument("patch", metavar="PATCH", help="patch file (JSON) or run folder")
    add_version(parser)
    note = parser.add_argument_group("note")
    note.add_argument(
        "--pitch", type=pitch, metavar="P", help="note name or MIDI pitch (default: C4)"
    )
    note.add_argument("--velocity", type=velocity, metavar="V", help="1 to 127 (default: 100)")
    note.add_argument(
        "--held",
        dest="gate",
        type=gate_s,
        metavar="S",
        help="how long the key is held, in s (default: 1)",
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


def _render(arguments: argparse.Namespace) -> int:
    """Render, write, and print what was written."""
    from matcher.playing import noise_seed  # noqa: PLC0415
    from shared import write_recording  # noqa: PLC0415  keeps the help quick
    from voice import render  # noqa: PLC0415

    patch, note = _load(arguments)
    settings = patch.provenance.get("settings")
    path = _output_path(arguments, note)
    sound = render(
        patch,
        midi_pitch=note.midi_pitch,
        velocity=note.velocity,
        gate_s=note.gate_s,
        sample_rate_hz=arguments.rate,
        seed=noise_seed(settings) if arguments.seed is None else arguments.seed,
    )
    gain = write_recording(path, sound, arguments.rate, overwrite=arguments.force)
    lines = _rendered(path, note, len(sound), arguments.rate, gain)
    if not sound.any():
        lines.insert(1, "it is silent: no level of the patch is above 0")
    sys.stdout.write("".join(f"{line}\n" for line in lines))
    return 0


def _load(arguments: argparse.Namespace) -> tuple[Patch, Note]:
    """Load the patch, and decide which note is played."""
    from matcher.runs import find_version  # noqa: PLC0415
    from matcher.runs.folder import load_run  # noqa: PLC0415  keeps the help quick
    from shared import Note, Patch  # noqa: PLC0415

    note = Note(60.0)
    path = Path(arguments.patch)
    if path.is_dir():
        folder = load_run(path)
        patch, note = folder.patch, folder.notes[0].played
        if arguments.version is not None:
            patch = find_version(path, arguments.version).patch
    elif arguments.version is not None:
        raise CommandLineError(f"--version needs a run folder; {path} is none.")
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


def _rendered(path: Path, note: Note, n_samples: int, rate: int, gain: float) -> list[str]:
    """Say what was written."""
    from matcher.texts.match import SHORT_CAUTION  # noqa: PLC0415  keeps the help quick
    from shared import (  # noqa: PLC0415
        MAX_LOUDNESS_LUFS,
        MAX_TRUE_PEAK_DBTP,
        amplitude_to_db,
        pitch_name,
        samples_to_seconds,
    )

    duration_s = samples_to_seconds(float(n_samples), rate)
    text = (
        f"{path}: {pitch_name(note.midi_pitch)}, velocity {note.velocity}, held "
        f"{note.gate_s:.2f} s; {duration_s:.2f} s at {rate} Hz"
    )
    lines = [text]
    if gain < SHOWN_GAIN:
        lines.append(
            f"turned down by {-amplitude_to_db(gain):.1f} dB to stay within "
            f"{MAX_TRUE_PEAK_DBTP:g} dBTP and {MAX_LOUDNESS_LUFS:g} LUFS"
        )
    return [*lines, SHORT_CAUTION]


def _audition_options(parser: Parser) -> None:
    """Add what `audition` takes."""
    parser.add_argument("folder", metavar="RUN", help="folder of a match")
    parser.add_argument("parts", nargs="+", metavar="PART", help="what to listen to, in turn")
    parser.add_argument(
        "--factor",
        type=number(1.0, 100.0, "above 1 and up to 100", above=True),
        default=4.0,
        metavar="X",
        help="how much further the exaggerated version goes (default: %(default)g)",
    )
    note = parser.add_argument_group("note (default: the first note of the target)")
    note.add_argument("--pitch", type=pitch, metavar="P", help="note name or MIDI pitch")
    note.add_argument("--velocity", type=velocity, metavar="V", help="1 to 127")
    note.add_argument(
        "--held", dest="gate", type=gate_s, metavar="S", help="how long the key is held, in s"
    )


def _audition(arguments: argparse.Namespace) -> int:
    """Play the parts, and print the cue list."""
    from matcher import audition, load_run  # noqa: PLC0415  keeps the help quick
    from matcher.texts.explanation import format_audition  # noqa: PLC0415

    folder = load_run(arguments.folder)
    given = {
        "midi_pitch": arguments.pitch,
        "velocity": arguments.velocity,
        "gate_s": arguments.gate,
    }
    chosen = {name: value for name, value in given.items() if value is not None}
    note = replace(folder.notes[0].played, **chosen)
    found = audition(folder, *arguments.parts, factor=arguments.factor, note=note)
    sys.stdout.write(f"{format_audition(found, arguments.folder)}\n")
    return 0


def _keyboard_options(parser: Parser) -> None:
    """Add what `keyboard` takes."""
    parser.add_argument("folder", metavar="RUN", help="folder of a match")
    keys = parser.add_argument_group("keys")
    keys.add_argument(
        "--from", dest="low", type=pitch, default="C2", metavar="P", help="first key (default: C2)"
    )
    keys.add_argument(
        "--to", dest="high", type=pitch, default="C6", metavar="P", help="last key (default: C6)"
    )
    keys.add_argument(
        "--step",
        type=whole_number(1, 24, "a whole number from 1 to 24 semitones"),
        default=1,
        metavar="N",
        help="semitones from key to key (default: %(default)s)",
    )
    keys.add_argument(
        "--velocity",
        type=one_or_list(velocity),
        metavar="V",
        help="velocities with commas between them (default: 40,100)",
    )
    keys.add_argument(
        "--held",
        dest="gate",
        type=number(0.0, 10.0, "above 0 and up to 10 s", above=True),
        default=0.6,
        metavar="S",
        help="how long each key is held, in s (default: %(default)s)",
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object instead")


def _keyboard(arguments: argparse.Namespace) -> int:
    """Play the keyboard, and print what breaks."""
    from matcher import keyboard  # noqa: PLC0415  keeps the help quick
    from matcher.explaining.keyboard import DEFAULT_VELOCITIES  # noqa: PLC0415
    from matcher.interrupts import StopRequest  # noqa: PLC0415
    from matcher.texts.explanation import format_keyboard  # noqa: PLC0415

    given = [v for v in arguments.velocity or () if v is not None]
    with StopRequest() as request:
        found = keyboard(
            arguments.folder,
            low=arguments.low,
            high=arguments.high,
            step=arguments.step,
            velocities=given or DEFAULT_VELOCITIES,
            gate_s=arguments.gate,
            progress=not arguments.json and sys.stderr.isatty(),
            stop=request,
        )
    refresh_page(arguments.folder)
    if arguments.json:
        sys.stdout.write(f"{json.dumps(found.to_dict(), allow_nan=False)}\n")
    else:
        sys.stdout.write(f"{format_keyboard(found, arguments.folder)}\n")
    return request.exit_status


RENDER = Command(
    "render",
    "play one note of a patch into an audio file",
    """\
Play one note of a patch into an audio file (24 bit, mono).

Give a patch file, or a run folder: then pitch, velocity and how long the key is
held are those of the target's first note unless they are given. The sound lasts until the release
has died away. Its level is limited in peak and loudness.
""",
    """\
examples:
  earwright render runs/horn/patch.json --pitch C5 --velocity 80 --held 0.5
  earwright render runs/horn --out horn.wav
  earwright render runs/horn --version final --out before.wav
  earwright render brass.json --pitch 60.25 --rate 96000 --out brass.flac
""",
    _render_options,
    _render,
)


AUDITION = Command(
    "audition",
    "play parts of a patch exaggerated, as they are, and left out",
    """\
Play parts of a patch exaggerated, at their final depth, and left out: to check
that a movement is there, and that nobody hears it by itself.

A part is named by its title ("vibrato, oscillator 2"), by words of it
(vibrato), or by its parameters (osc2.vibrato). The sounds go to audition/ in
the run folder, each alone and all in audition.wav with short gaps, beside a cue
list (audition.txt: start, end, label). Depths stop at the ends of their ranges;
the level is limited.
""",
    """\
examples:
  earwright audition runs/horn "filter envelope"
  earwright audition runs/horn vibrato detune --factor 8
  earwright audition runs/horn osc2.pitch_env --pitch C3 --velocity 120
""",
    _audition_options,
    _audition,
)


KEYBOARD = Command(
    "keyboard",
    "play a patch over the keyboard and tell what breaks",
    """\
Play the patch of a match over keys and velocities, and tell what breaks: level
jumps (ITU-R BS.1770), brightness that runs away, LFO rates out of hand,
aliasing, clipping. The figures go to keyboard.json in the run folder, a scale
to keyboard.wav.
""",
    """\
examples:
  earwright keyboard runs/horn --from C2 --to C6
  earwright keyboard runs/horn --from C3 --to C5 --step 2 --velocity 30,64,120
""",
    _keyboard_options,
    _keyboard,
)
