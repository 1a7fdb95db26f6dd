"""Sound out of patches: the public door of the voice.

`render` plays one note of one patch; `render_batch` many candidates of one note; a
`NoteRenderer` keeps its buffers between calls, for searches that play the same note thousands of
times. Checks stand here, the kernels trust their callers.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from shared import (
    CATALOGUE,
    PHASE_NAMES,
    PULSE_KIND,
    Float32Array,
    FloatArray,
    Note,
    NotePhases,
    ParameterError,
    Patch,
    seconds_to_samples,
)
from voice._arguments import (
    LONGEST_S,
    check_n_samples,
    check_range,
    check_sample_rate,
    check_scalar,
)
from voice.packing import LANES, block_length, empty_controls, empty_settings, pack_note
from voice.parts import white_noise

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy.typing as npt

__all__ = ["DEFAULT_PHASES", "NoteRenderer", "render", "render_batch"]

# Dark noise falls from this corner on; low enough that no more of it is heard as dark.
DARK_NOISE_HZ = 200.0
FADE_S = 0.01
HALF_CYCLE = 0.5
# A free-running second oscillator and LFOs stand anywhere when a note starts; these are the
# places for a sound that was not matched to a recording.
DEFAULT_PHASES = NotePhases(
    {"osc2.phase": 0.25, "osc2.vibrato.phase": 0.25, "osc2.pwm.phase": 0.5}
)

# Oscillator 1 comes first in the kernels, which know nothing of places and kinds of pulses.
_OSC1 = PHASE_NAMES.index("osc1.phase")
KERNEL_PHASES = [_OSC1, *range(_OSC1)]
EDGE, POLARITY = map(PHASE_NAMES.index, PULSE_KIND)
PULSES, WIDTHS, DEPTHS = (
    [CATALOGUE.index(f"{osc}.{name}") for osc in ("osc1", "osc2")]
    for name in ("pulse_level", "pulse_width_ratio", "pwm.depth_ratio")
)


class NoteRenderer:
    """Renders one note for groups of candidates, over and over, in the same buffers.

    An instance must not be used by two threads at once; make one for each.

    Parameters
    ----------
    note : Note
        Pitch, velocity and gate.
    n_samples : int >= 1
        Length of the sound.
    sample_rate_hz : int, 8000 to 192000
        Sampling rate in Hz.
    seed : int >= 0
        Seed of the noise; the same for all candidates.

    Raises
    ------
    ParameterError
        If an argument lies outside its range.
    """

    def __init__(self, note: Note, *, n_samples: int, sample_rate_hz: int, seed: int = 0) -> None:
        sample_rate_hz = check_sample_rate(sample_rate_hz)
        n_samples = check_n_samples(n_samples, sample_rate_hz)
        from voice import (  # noqa: PLC0415  numba loads here
            control_kernels,
            filter_kernels,
            oscillator_kernels,
            setting_kernels,
            wavetables,
        )

        self._prepare_settings = setting_kernels.prepare_settings
        self._render_controls = control_kernels.render_controls
        self._render_oscillators = oscillator_kernels.render_oscillators
        self._run_filters = filter_kernels.run_filters
        self._waves = wavetables.sawtooth_tables(), wavetables.triangle_tables()
        self.note = note
        self.n_samples = n_samples
        self.sample_rate_hz = sample_rate_hz
        self._block = block_length(sample_rate_hz)
        self._note = pack_note(note, sample_rate_hz)
        self._noise = np.empty((3, n_samples), np.float32)
        keep = np.exp(-2.0 * np.pi * DARK_NOISE_HZ / sample_rate_hz)
        white = white_noise(n_samples, seed=seed).astype(np.float64)
        filter_kernels.colour_noise(white, keep, self._noise)
        self._settings = empty_settings()
        self._controls = empty_controls(-(-n_samples // self._block))
        self._values = np.empty((len(CATALOGUE), LANES), np.float32)
        self._phases = np.empty((len(KERNEL_PHASES), LANES), np.float32)
        self._out = np.empty((n_samples, LANES), np.float32)

    def render(self, values: FloatArray, phases: FloatArray) -> Float32Array:
        """Render up to 16 candidates.

        Parameters
        ----------
        values : np.ndarray, shape=(n_candidates, 91), 1 <= n_candidates <= 16
            Physical values within their ranges, columns in the catalogue's order.
        phases : np.ndarray, shape=(n_candidates, 10), 0 to 1
            Nuisance phases in cycles, columns as in `shared.PHASE_NAMES`.

        Returns
        -------
        np.ndarray, shape=(n_samples, 16), dtype=float32
            One candidate per column; columns beyond `n_candidates` repeat the last one. It is a
            view of the renderer's buffer, overwritten by the next call.
        """
        n = len(values)
        self._values[:, :n] = values.T
        self._values[:, n:] = values[-1][:, None]
        self._phases[:, :n] = phases[:, KERNEL_PHASES].T
        self._phases[:, n:] = phases[-1, KERNEL_PHASES][:, None]
        self._turn_pulses(phases)
        gate_s = np.float32(self.note.gate_s)
        self._prepare_settings(self._values, self.sample_rate_hz, self._settings)
        self._render_controls(
            self._values, self._phases, self._note, gate_s, self._block, self._controls
        )
        self._render_oscillators(
            self._settings, self._controls, self._phases[:2], self._block, *self._waves, self._out
        )
        self._run_filters(self._settings, self._controls, self._block, self._noise, self._out)
        return self._out

    def _turn_pulses(self, phases: FloatArray) -> None:
        """Let the other edge of pulses move, or turn them over, where the kind of pulse says so.

        A pulse whose other edge moves is one of the rest of the cycle, turned over.
        """
        lanes = np.minimum(np.arange(LANES), len(phases) - 1)
        is_other, is_over = (
            phases[lanes, EDGE] >= HALF_CYCLE,
            phases[lanes, POLARITY] >= HALF_CYCLE,
        )
        for pulse, width, depth in zip(PULSES, WIDTHS, DEPTHS, strict=True):
            self._values[width, is_other] = np.float32(1.0) - self._values[width, is_other]
            self._values[depth, is_other] *= np.float32(-1.0)
            self._values[pulse, is_over] *= np.float32(-1.0)


def render_batch(
    values: npt.ArrayLike,
    note: Note,
    *,
    n_samples: int,
    sample_rate_hz: int = 44_100,
    phases: npt.ArrayLike | None = None,
    seed: int = 0,
) -> Float32Array:
    """Render one note for many candidates.

    Parameters
    ----------
    values : np.ndarray, shape=(n_candidates, 91)
        Physical values, columns in the catalogue's order.
    note : Note
        Pitch, velocity and gate.
    n_samples : int >= 1
        Length of the sound.
    sample_rate_hz : int, 8000 to 192000
        Sampling rate in Hz.
    phases : np.ndarray, shape=(n_candidates, 10) or (10,), optional
        Nuisance phases in cycles, in the order of `shared.PHASE_NAMES`; those of
        `DEFAULT_PHASES` if left out.
    seed : int >= 0
        Seed of the noise.

    Returns
    -------
    np.ndarray, shape=(n_candidates, n_samples), dtype=float32
        The sounds, not limited in level (files are: `shared.audio.write_recording`). A
        candidate sounds the same to the bit in every batch.

    Raises
    ------
    ParameterError
        If a value lies outside its range, or a shape is wrong.
    """
    matrix = np.atleast_2d(np.asarray(values, dtype=np.float64))
    CATALOGUE.encode(matrix)  # for its checks
    if phases is None:
        phases = np.array(list(DEFAULT_PHASES.values()))
    starts = check_range("phases", phases, 0.0, 1.0, "cycles")
    if starts.shape not in {(len(PHASE_NAMES),), (len(matrix), len(PHASE_NAMES))}:
        raise ParameterError(
            f"phases have shape {starts.shape}; it must be ({len(matrix)}, {len(PHASE_NAMES)}) or "
            f"({len(PHASE_NAMES)},).",
            name="phases",
        )
    starts = np.broadcast_to(starts, (len(matrix), len(PHASE_NAMES)))
    renderer = NoteRenderer(note, n_samples=n_samples, sample_rate_hz=sample_rate_hz, seed=seed)
    sounds = np.empty((len(matrix), n_samples), np.float32)
    for first in range(0, len(matrix), LANES):
        last = min(first + LANES, len(matrix))
        group = renderer.render(matrix[first:last], starts[first:last])
        sounds[first:last] = group[:, : last - first].T
    return sounds


def render(
    patch: Patch | Mapping[str, float],
    *,
    midi_pitch: float = 60.0,
    velocity: int = 100,
    gate_s: float = 1.0,
    duration_s: float | None = None,
    sample_rate_hz: int = 44_100,
    phases: Mapping[str, float] | None = None,
    seed: int = 0,
) -> FloatArray:
    """Play one note of a patch.

    Parameters
    ----------
    patch : Patch, or mapping of str to float
        The patch, or its values; what a mapping leaves out stands at neutral.
    midi_pitch : float, 0 to 127
        Key, 60 = C4; fractions allowed.
    velocity : int, 1 to 127
        How hard the key is struck.
    gate_s : float, above 0 and up to 60
        How long it is held, in seconds.
    duration_s : float, 0.001 to 120, optional
        Length of the sound in seconds; by default until the release has died away. The end is
        faded over 10 ms, so that nothing is cut off with a click.
    sample_rate_hz : int, 8000 to 192000
        Sampling rate in Hz.
    phases : NotePhases, or mapping of str to float, optional
        Nuisance phases; those of the patch's first note, or `DEFAULT_PHASES`, if left out.
    seed : int >= 0
        Seed of the noise.

    Returns
    -------
    np.ndarray, shape=(n_samples,), dtype=float64
        The sound; its level is not limited (files are: `shared.audio.write_recording`).

    Raises
    ------
    ParameterError
        If an argument or a value lies outside its range.
    """
    if not isinstance(patch, Patch):
        patch = Patch("values", patch)
    if phases is None:
        phases = patch.phases[0] if patch.phases else DEFAULT_PHASES
    note = Note(midi_pitch, velocity=velocity, gate_s=gate_s)
    sample_rate_hz = check_sample_rate(sample_rate_hz)
    if duration_s is None:
        # e**-7 is -61 dB
        duration_s = gate_s + 7.0 * patch.values["amp_env.release_s"] + FADE_S
    duration_s = check_scalar("duration_s", duration_s, 0.001, LONGEST_S, "s")
    row = np.array([patch.values[name] for name in CATALOGUE.names])
    sound: FloatArray = render_batch(
        row,
        note,
        n_samples=seconds_to_samples(duration_s, sample_rate_hz),
        sample_rate_hz=sample_rate_hz,
        phases=np.array(list(NotePhases(phases).values())),
        seed=seed,
    )[0].astype(np.float64)
    n_fade = min(len(sound), seconds_to_samples(FADE_S, sample_rate_hz))
    sound[len(sound) - n_fade :] *= np.linspace(1.0, 0.0, n_fade)
    return sound
