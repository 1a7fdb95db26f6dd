"""Envelopes as functions of time: the level of an ADSR, and the pitch envelope.

They run the kernels that the voice runs, one time after another: for tests, plots and notebooks.
The voice itself takes them every 0.36 ms and moves in straight lines between, so an attack
shorter than that takes 0.36 ms there.

Conventions: times count from the moment the key goes down, in seconds. The attack
lasts from the start to the peak, in a straight line if it is not bent; decay and release are
exponential, and their time is the time constant, after which 63.2 % of the way is done.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from voice._arguments import check_scalar, check_times

if TYPE_CHECKING:
    import numpy.typing as npt

    from shared import FloatArray

__all__ = ["adsr_level", "pitch_envelope_cents"]

LONGEST_GATE_S = 60.0


def adsr_level(
    times_s: npt.ArrayLike,
    gate_s: float,
    *,
    attack_s: float,
    decay_s: float,
    sustain_ratio: float,
    release_s: float,
    attack_curve_ratio: float = 0.0,
) -> FloatArray:
    """Compute the level of an attack-decay-sustain-release envelope.

    Parameters
    ----------
    times_s : np.ndarray, shape=(n_times,), 0 to 120
        Times from note start in s.
    gate_s : float, 0 to 60
        Time at which the key is let go, in s. The release starts from the level of that moment,
        also in the middle of the attack.
    attack_s : float, 0.0001 to 60
        Time from the start to the peak, in s.
    decay_s, release_s : float, 0.0001 to 60
        Time constants of the fall to the sustain level and to zero, in s.
    sustain_ratio : float, 0 to 1
        Level while the key is held, as a share of the peak.
    attack_curve_ratio : float, -1 to 1
        Bend of the attack: 0 straight, 1 quick at first, -1 slow at first.

    Returns
    -------
    np.ndarray, shape=(n_times,), 0 to 1
        Level, computed in float32.

    Raises
    ------
    ParameterError
        If an argument lies outside its range.

    Notes
    -----
    t / attack up to the peak, or (1 - 2**(-k t / attack)) / (1 - 2**-k) with k six times the bend,
    as a capacitor is charged from a higher voltage (common practice, no source). Then
    sustain + (1 - sustain) exp(-(t - attack) / decay), and exp(-(t - gate) / release) of the level
    reached once the key is let go.

    Examples
    --------
    >>> adsr_level([0.05, 0.1], 1.0, attack_s=0.1, decay_s=1, sustain_ratio=1, release_s=1)
    array([0.5, 1. ])
    """
    from voice import _controls  # noqa: PLC0415  numba loads here

    times = check_times(times_s).astype(np.float32)
    gate = np.float32(check_scalar("gate_s", gate_s, 0.0, LONGEST_GATE_S, "s"))
    attack = np.float32(check_scalar("attack_s", attack_s, 1e-4, 60.0, "s"))
    decay = np.float32(check_scalar("decay_s", decay_s, 1e-4, 60.0, "s"))
    sustain = np.float32(check_scalar("sustain_ratio", sustain_ratio, 0.0, 1.0))
    release = np.float32(check_scalar("release_s", release_s, 1e-4, 60.0, "s"))
    curve = np.float32(check_scalar("attack_curve_ratio", attack_curve_ratio, -1.0, 1.0))
    shape = attack, curve, decay, sustain
    at_gate_end = _controls.held_envelope(gate, *shape)
    return np.array(
        [_controls.envelope(t, gate, *shape, release, at_gate_end) for t in times],
        dtype=np.float64,
    )


def pitch_envelope_cents(
    times_s: npt.ArrayLike, *, depth_cents: float, attack_s: float, decay_s: float
) -> FloatArray:
    """Compute what a pitch envelope adds to the pitch.

    Parameters
    ----------
    times_s : np.ndarray, shape=(n_times,), 0 to 120
        Times from note start in s.
    depth_cents : float, -2400 to 2400
        Added pitch at the peak.
    attack_s : float, 0.0001 to 60
        Time from the start to the peak, in s.
    decay_s : float, 0.0001 to 60
        Time constant of the fall to zero, in s; it goes on after the key is let go.

    Returns
    -------
    np.ndarray, shape=(n_times,)
        Added pitch in cents.

    Raises
    ------
    ParameterError
        If an argument lies outside its range.
    """
    from voice import _controls  # noqa: PLC0415  numba loads here

    times = check_times(times_s).astype(np.float32)
    depth = check_scalar("depth_cents", depth_cents, -2400.0, 2400.0, "cents")
    attack = np.float32(check_scalar("attack_s", attack_s, 1e-4, 60.0, "s"))
    decay = np.float32(check_scalar("decay_s", decay_s, 1e-4, 60.0, "s"))
    zero = np.float32(0.0)
    shape = [_controls.held_envelope(t, attack, zero, decay, zero) for t in times]
    return depth * np.array(shape, dtype=np.float64)
