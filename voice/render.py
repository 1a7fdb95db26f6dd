"""Sound out of patches: the public door of the voice.

`render` plays one note of one patch; `render_batch` many candidates of one note; a
`NoteRenderer` keeps its buffers between calls, for searches that play the same note thousands of
times. Checks stand here, the kernels trust their callers.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from shared import CATALOGUE, Float32Array, FloatArray, Note, ParameterError, midi_to_hz
from shared.patch import NotePhases, Patch
from shared.patch_schema import PHASE_NAMES

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy.typing as npt

__all__ = ["DEFAULT_PHASES", "NoteRenderer", "render", "render_batch"]

LANES = 16
CONTROL_RATE_HZ = 44_100 / 16
REFERENCE_VELOCITY = 100
C4 = 60.0
LONGEST_S = 60.0
FADE_S = 0.01
# A free-running second oscillator and LFOs stand anywhere when a note starts; these are the
# places for a sound that was not matched to a recording.
DEFAULT_PHASES = NotePhases(dict(zip(PHASE_NAMES, (0.25, 0.0, 0.25, 0.0, 0.5), strict=True)))
# A wave's level is 1 at its peaks; a sawtooth's RMS then is 1 / sqrt(3), and so is the noise's.
NOISE_RMS = 3.0**-0.5


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
        _check_length(n_samples, sample_rate_hz)
        from voice import _controls, _filters, _oscillators, wavetables  # noqa: PLC0415  numba loads here

        self._render_controls = _controls.render_controls
        self._render_oscillators = _oscillators.render_oscillators
        self._run_filters = _filters.run_filters
        self._waves = wavetables.sawtooth_tables(), wavetables.triangle_tables()
        self.note = note
        self.n_samples = n_samples
        self.sample_rate_hz = sample_rate_hz
        self._block = max(4, round(sample_rate_hz / CONTROL_RATE_HZ))
        n_blocks = -(-n_samples // self._block)
        self._note = np.array(
            [
                np.log2(midi_to_hz(note.midi_pitch)),
                (note.midi_pitch - C4) / 12.0,
                (note.velocity - REFERENCE_VELOCITY) / (REFERENCE_VELOCITY - 1),
                np.log2(sample_rate_hz),
                midi_to_hz(note.midi_pitch) / sample_rate_hz * 2.0**32,
            ],
            dtype=np.float32,
        )
        noise = np.random.default_rng(seed).standard_normal(n_samples) * NOISE_RMS
        self._noise = noise.astype(np.float32)
        self._settings = np.empty((_controls.N_SETTINGS, LANES), np.float32)
        self._controls = np.empty((n_blocks + 1, _controls.N_CONTROLS, LANES), np.float32)
        self._values = np.empty((len(CATALOGUE), LANES), np.float32)
        self._phases = np.empty((1 + len(PHASE_NAMES), LANES), np.float32)
        self._out = np.empty((n_samples, LANES), np.float32)

    def render(self, values: FloatArray, phases: FloatArray) -> Float32Array:
        """Render up to 16 candidates.

        Parameters
        ----------
        values : np.ndarray, shape=(n_candidates, 55), 1 <= n_candidates <= 16
            Physical values within their ranges, columns in the catalogue's order.
        phases : np.ndarray, shape=(n_candidates, 5), 0 to 1
            Nuisance phases in cycles, columns as in `shared.patch_schema.PHASE_NAMES`.

        Returns
        -------
        np.ndarray, shape=(n_samples, 16), dtype=float32
            One candidate per column; columns beyond `n_candidates` repeat the last one. It is a
            view of the renderer's buffer, overwritten by the next call.
        """
        n = len(values)
        self._values[:, :n] = values.T
        self._values[:, n:] = values[-1][:, None]
        self._phases[0] = 0.0
        self._phases[1:, :n] = phases.T
        self._phases[1:, n:] = phases[-1][:, None]
        gate_s = np.float32(self.note.gate_s)
        self._render_controls(
            self._values, self._phases, self._note, gate_s, self._block, self._settings,
            self._controls,
        )  # fmt: skip
        self._render_oscillators(
            self._settings, self._controls, self._phases[:2], self._block, *self._waves, self._out
        )
        self._run_filters(self._settings, self._controls, self._block, self._noise, self._out)
        return self._out


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
    values : np.ndarray, shape=(n_candidates, 55)
        Physical values, columns in the catalogue's order.
    note : Note
        Pitch, velocity and gate.
    n_samples : int >= 1
        Length of the sound.
    sample_rate_hz : int, 8000 to 192000
        Sampling rate in Hz.
    phases : np.ndarray, shape=(n_candidates, 5) or (5,), optional
        Nuisance phases in cycles, in the order of `shared.patch_schema.PHASE_NAMES`; those of
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
    starts = np.asarray(phases, dtype=np.float64)
    if starts.shape not in {(len(PHASE_NAMES),), (len(matrix), len(PHASE_NAMES))}:
        raise ParameterError(
            f"phases have shape {starts.shape}; ({len(matrix)}, {len(PHASE_NAMES)}) or "
            f"({len(PHASE_NAMES)},) is accepted.",
            name="phases",
            value=starts.shape,
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
    phases: NotePhases | None = None,
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
    gate_s : float >= 0
        How long it is held, in seconds.
    duration_s : float > 0, optional
        Length of the sound in seconds; by default until the release has died away. The end is
        faded over 10 ms, so that nothing is cut off with a click.
    sample_rate_hz : int, 8000 to 192000
        Sampling rate in Hz.
    phases : NotePhases, optional
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
    if duration_s is None:
        # e**-7 is -61 dB
        duration_s = min(gate_s + 7.0 * patch.values["amp_env.release_s"] + FADE_S, LONGEST_S)
    row = np.array([patch.values[name] for name in CATALOGUE.names])
    sound: FloatArray = render_batch(
        row,
        Note(midi_pitch, velocity=velocity, gate_s=gate_s),
        n_samples=round(duration_s * sample_rate_hz),
        sample_rate_hz=sample_rate_hz,
        phases=np.array(list(phases.values())),
        seed=seed,
    )[0].astype(np.float64)
    n_fade = min(len(sound), round(FADE_S * sample_rate_hz))
    sound[len(sound) - n_fade :] *= np.linspace(1.0, 0.0, n_fade)
    return sound


def _check_length(n_samples: int, sample_rate_hz: int) -> None:
    """Refuse rates and lengths that no sound has."""
    if not 8000 <= sample_rate_hz <= 192_000:
        raise ParameterError(
            f"sample_rate_hz is {sample_rate_hz}; 8000 to 192000 Hz is accepted.",
            name="sample_rate_hz",
            value=sample_rate_hz,
        )
    longest = round(2 * LONGEST_S * sample_rate_hz)
    if not 1 <= n_samples <= longest:
        raise ParameterError(
            f"n_samples is {n_samples}; 1 to {longest} ({2 * LONGEST_S:g} s at "
            f"{sample_rate_hz} Hz) is accepted. Ask for a shorter sound.",
            name="n_samples",
            value=n_samples,
        )
