"""What calibration finds in the notes of another audio language, beside what it was told.

Run ``python -m tests.benchmarks.bench_calibration``. The recordings are those of
``tests/known_answers/calibration``.
"""

from __future__ import annotations

import time

from matcher.calibrating import Calibration, calibrate
from tests.calibration_notes import known_places
from tests.known_answers.make_calibration_notes import CONTROLS
from voice import load_structure


def measure(parameter: str) -> Calibration:
    """Calibrate one control from its recordings."""
    places = known_places(parameter)
    return calibrate(
        load_structure("complete"),
        parameter,
        [(place.panel, place.path) for place in places],
        midi_pitch=places[0].midi_pitch,
    )


def main() -> None:
    """Print a line for each position."""
    began, n_notes = time.perf_counter(), 0
    for parameter in CONTROLS:
        print(f"{parameter}\n{'panel':>7}{'true':>10}{'found':>10}{'error bar':>11}{'off':>9}")
        points = measure(parameter).points
        for place, point in zip(known_places(parameter), points, strict=True):
            off = 100.0 * (point.value / place.value - 1.0)
            print(
                f"{place.panel:7g}{place.value:10.4g}{point.value:10.4g}{point.error:11.2g}"
                f"{off:+8.2f} %"
            )
        n_notes += len(points)
    print(f"{(time.perf_counter() - began) / n_notes:.2f} s for each recording.")


if __name__ == "__main__":
    main()
