"""The compiled loops against plain numpy and librosa, and against themselves as plain Python."""

from __future__ import annotations

import inspect
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from matcher.losses import kernels

if TYPE_CHECKING:
    from collections.abc import Callable

    from shared import Float32Array, FloatArray

HOP = 11


def noise(rng: np.random.Generator, *shape: int) -> Float32Array:
    """Return white noise."""
    return rng.standard_normal(shape).astype(np.float32)


def powers_of(signal: FloatArray, hop: int) -> FloatArray:
    """Sum the squares of each `hop` samples in double precision."""
    n = len(signal) // hop
    return np.sum(signal[: n * hop].astype(np.float64).reshape(n, hop) ** 2, axis=1)


def ramp_powers(attack: int, n_powers: int = 400, start: int = 20) -> Float32Array:
    """Return short powers of an amplitude that rises in a straight line, then stays."""
    amplitude = np.clip((np.arange(n_powers) - start) / attack, 0.0, 1.0)
    return (amplitude**2).astype(np.float32)


# Single precision keeps 24 bits, 6e-8; sums of some hundred terms lose a little of that.
SUM_TOLERANCE = 1e-5


@pytest.mark.parametrize("hop", [2, 3, 11])
def test_short_powers_are_sums_of_squares(rng: np.random.Generator, hop: int) -> None:
    """Each power is the energy of its samples, the result the loudest four neighbours."""
    signal = noise(rng, 50 * hop + hop - 1)
    powers = np.empty(50, np.float32)
    peak = kernels.short_powers(signal, hop, powers)
    expected = powers_of(signal, hop)
    np.testing.assert_allclose(powers, expected, rtol=SUM_TOLERANCE)
    assert peak == pytest.approx(np.convolve(expected, np.ones(4), "valid").max(), rel=1e-5)


@settings(max_examples=25)
@given(st.integers(0, 96), st.floats(0.01, 0.99))
def test_the_onset_is_the_first_sum_above_the_threshold(start: int, share: float) -> None:
    """Powers that set in at once are found where the first of four neighbours sounds."""
    powers = np.zeros(100, np.float32)
    powers[start:] = 1.0
    found = kernels.onset_hop(powers, share)
    assert found == max(start - 3, 0)


def test_without_an_onset_the_start_counts() -> None:
    """Nothing above the threshold: index 0."""
    assert kernels.onset_hop(np.ones(20, np.float32), 4.5) == 0


def test_convergence_is_a_ratio_of_frobenius_norms(rng: np.random.Generator) -> None:
    """Arik et al. 2019, equation of the spectral convergence, with numpy's norms."""
    a, b = noise(rng, 9, 17), noise(rng, 9, 17)
    expected = np.linalg.norm(a.astype(np.float64) - b) / np.linalg.norm(b.astype(np.float64))
    assert kernels.convergence(a, b) == pytest.approx(expected, rel=SUM_TOLERANCE)


@settings(max_examples=25)
@given(st.integers(8, 190))
def test_the_attack_of_a_slower_ramp_is_longer(attack: int) -> None:
    """One power more of rise is seen: the upper threshold is interpolated."""
    faster, slower = (
        kernels.attack_hops(ramp_powers(n), 0, 380, 4.0) for n in (attack, attack + 2)
    )
    assert slower > faster


def test_an_attack_beyond_the_span_counts_as_the_span() -> None:
    """A level that never comes near the peak has no attack time; the limit is taken."""
    assert kernels.attack_hops(np.full(60, 0.01, np.float32), 5, 50, 4.0) == 50.0
    assert kernels.attack_hops(np.zeros(60, np.float32), 5, 50, 0.0) == 50.0


@pytest.mark.parametrize("step", [4, 331])
def test_heterodyning_sums_the_product_with_each_carrier(
    rng: np.random.Generator, step: int
) -> None:
    """Step by step, real and imaginary parts."""
    signal = noise(rng, 5 * step + 3)
    cosines, sines = noise(rng, 3, 5 * step), noise(rng, 3, 5 * step)
    sums = np.empty((2, 3, 5))
    kernels.heterodyne(signal, cosines, sines, step, sums)
    products = signal[: 5 * step].astype(np.float64) * np.stack([cosines, sines])
    # 1e-4: sums of some hundred products of either sign, in single precision.
    expected = products.reshape(2, 3, 5, step).sum(axis=-1)
    np.testing.assert_allclose(sums, expected, rtol=1e-4, atol=1e-4)


def test_depths_are_magnitudes_of_a_transform(rng: np.random.Generator) -> None:
    """As numpy's product of complex matrices gives them."""
    cosines, sines, tracks = noise(rng, 6, 30), noise(rng, 6, 30), noise(rng, 30, 11)
    depths = np.empty((6, 11), np.float32)
    kernels.movement_depths(cosines, sines, tracks, depths)
    expected = np.abs((cosines + 1j * sines) @ tracks)
    np.testing.assert_allclose(depths, expected, rtol=SUM_TOLERANCE, atol=1e-5)


def _arguments(name: str) -> tuple[object, ...]:
    """Return small arguments for a kernel; arrays to be written come last, filled with 3."""
    rng = np.random.default_rng(5)

    def blank(*shape: int) -> Float32Array:
        return np.full(shape, np.float32(3.0))

    return {
        "by_candidate": (noise(rng, 40, 3), 4, blank(3, 50)),
        "short_powers": (noise(rng, 12 * HOP), HOP, blank(12)),
        "onset_hop": (ramp_powers(30, 80), 0.5),
        "onset_sample": (ramp_powers(30, 80), 3, 8, 0.5),
        "energy": (noise(rng, 203),),
        "mean_difference": (noise(rng, 5, 7), noise(rng, 5, 7)),
        "convergence": (noise(rng, 5, 7), noise(rng, 5, 7)),
        "flux": (noise(rng, 6, 7), blank(5)),
        "envelope_levels": (noise(rng, 60) ** 2, 2, 5, 0.4, 1e-3, blank(8)),
        "attack_hops": (ramp_powers(30, 80), 2, 70, 4.0),
        "loudest": (ramp_powers(30, 80), 2, 70),
        "heterodyne": (
            noise(rng, 45), noise(rng, 2, 42), noise(rng, 2, 42), 7, np.full((2, 2, 6), 3.0),
        ),
        "movement_depths": (noise(rng, 4, 9), noise(rng, 4, 9), noise(rng, 9, 5), blank(4, 5)),
    }[name]  # fmt: skip


def _kernels() -> dict[str, Callable[..., object]]:
    """Collect the compiled functions of the module."""
    return {name: x for name, x in inspect.getmembers(kernels) if hasattr(x, "py_func")}


@pytest.mark.parametrize("name", _kernels())
def test_a_kernel_does_the_same_as_plain_python(name: str) -> None:
    """`kernel.py_func` on small input gives what the compiled code gives."""
    kernel = _kernels()[name]
    compiled, plain = _arguments(name), _arguments(name)
    results = kernel(*compiled), kernel.py_func(*plain)
    # 1e-6: a compiler may keep intermediate results in another precision than numpy.
    for a, b in zip((*compiled, results[0]), (*plain, results[1]), strict=True):
        if a is not None:
            np.testing.assert_allclose(a, b, rtol=1e-6, atol=1e-6)
