"""The pictures: what is drawn is what was measured, in colours that everybody can tell apart."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import numpy as np
import pytest
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure

from matcher import plots
from shared import Note, ParameterError

if TYPE_CHECKING:
    from collections.abc import Callable

    from matplotlib.axes import Axes

pytestmark = pytest.mark.slow

RATE_HZ = 22_050


@pytest.fixture(scope="module")
def pair() -> plots.SoundPair:
    """Return half a second of a bright tone against a darker one."""
    times_s = np.arange(RATE_HZ // 2) / RATE_HZ
    target, match = (
        sum(np.sin(2 * np.pi * 220.0 * n * times_s) / n**slope for n in range(1, 20))
        for slope in (1.0, 1.5)
    )
    lead = np.zeros(round(0.02 * RATE_HZ))
    return plots.measure_pair(
        np.concatenate([lead, 0.1 * np.asarray(target)]),
        np.concatenate([lead, 0.1 * np.asarray(match)]),
        sample_rate_hz=RATE_HZ,
        note=Note(57.0, 100, 0.5),
        onset_s=0.02,
    )


def _axes() -> Axes:
    """Return fresh axes."""
    return Figure().subplots()


PAIR_PLOTS: tuple[Callable[..., Axes], ...] = (
    plots.plot_envelopes,
    plots.plot_pitch,
    plots.plot_level_movement,
    plots.plot_pitch_movement,
    plots.plot_harmonics,
)


@pytest.mark.parametrize("draw", PAIR_PLOTS, ids=lambda draw: draw.__name__)
@pytest.mark.parametrize("palette", [plots.LIGHT, plots.DARK], ids=["light", "dark"])
def test_pictures_of_a_pair_name_both_sounds_and_their_units(
    draw: Callable[..., Axes], palette: plots.Palette, pair: plots.SoundPair
) -> None:
    """Both sounds stand in the key, in their colours, and each axis says what it shows."""
    axes = _axes()
    assert draw(pair, axes, palette=palette) is axes
    legend = axes.get_legend()
    assert legend is not None
    assert [text.get_text() for text in legend.get_texts()] == ["target", "match"]
    colours = [line.get_color() for line in axes.get_lines()[:2]]
    assert colours == [palette.target, palette.match]
    assert axes.get_xlabel()
    assert axes.get_ylabel().endswith(("(dB)", "(cents)"))


def test_the_enlarged_attack_shows_the_first_150_ms(pair: plots.SoundPair) -> None:
    """Times count from the onset, in ms, and nothing else is in the picture."""
    axes = plots.plot_envelopes(pair, _axes(), is_attack=True)
    assert axes.get_xlim() == (-10.0, 150.0)
    assert "ms" in axes.get_xlabel()


def test_both_spectrograms_have_one_scale(pair: plots.SoundPair) -> None:
    """The same colour means the same level in both."""
    images = [
        plots.plot_spectrogram(sound.spectrogram, _axes()).get_images()[0]
        for sound in (pair.target, pair.match)
    ]
    assert images[0].get_clim() == images[1].get_clim()
    assert images[0].get_extent() == images[1].get_extent()


def test_the_difference_of_a_sound_with_itself_is_blank(pair: plots.SoundPair) -> None:
    """No difference is drawn as nothing at all, whatever the background."""
    same = pair.target.spectrogram
    image = plots.plot_spectrogram_difference(same, same, _axes()).get_images()[0]
    assert np.all(image.to_rgba(image.get_array())[..., 3] < 0.01)


def test_the_difference_says_where_the_match_is_darker(pair: plots.SoundPair) -> None:
    """A match that lacks its upper partials lies under the target there."""
    spectrograms = pair.target.spectrogram, pair.match.spectrogram
    image = plots.plot_spectrogram_difference(*spectrograms, _axes()).get_images()[0]
    values = np.asarray(image.get_array())
    bands_hz = spectrograms[0].bands_hz
    assert values[bands_hz > 2000.0].mean() < -3.0


def test_the_difference_needs_one_grid(pair: plots.SoundPair) -> None:
    """Spectrograms that weren't measured together can't be subtracted."""
    (other,) = plots.measure_spectrogram(np.ones(RATE_HZ), sample_rate_hz=RATE_HZ)
    with pytest.raises(ParameterError, match="measured together"):
        plots.plot_spectrogram_difference(pair.target.spectrogram, other, _axes())


def test_convergence_goes_on_to_the_last_candidate() -> None:
    """After the last improvement the line goes on to the end of the search."""
    axes = plots.plot_convergence([1, 10], [4.0, 2.0], _axes(), n_evaluations=100)
    line = axes.get_lines()[0]
    assert list(line.get_xdata()) == [1, 10, 100]
    assert list(line.get_ydata()) == [4.0, 2.0, 2.0]


def test_a_comparison_shows_each_contestant_with_its_quartiles() -> None:
    """Each curve has a name, a line of its own kind, and a band."""
    steps = np.arange(1.0, 4.0)
    curves = [
        plots.LossCurve(name, steps, 3.0 / steps, 2.5 / steps, 4.0 / steps)
        for name in ("one", "two")
    ]
    axes = plots.plot_comparison(curves, _axes())
    labels = [text.get_text() for text in axes.get_legend().get_texts()]
    assert labels == ["one", "two"]
    assert len(axes.collections) == len(curves)
    assert len({str(line.get_linestyle()) for line in axes.get_lines()}) == len(curves)


def test_keys_stand_under_their_names() -> None:
    """MIDI 1.0: key 60 is middle C, C4; the axis names the Cs, and the curves their velocities."""
    keys = np.arange(36.0, 85.0)
    curves = [plots.KeyCurve(f"velocity {v}", keys, 0.1 * keys - v) for v in (40, 100)]
    axes = plots.plot_over_keys(curves, _axes(), label="loudness (LUFS)")
    names = {text.get_text(): text.get_position()[0] for text in axes.get_xticklabels()}
    assert names == {"C2": 36.0, "C3": 48.0, "C4": 60.0, "C5": 72.0, "C6": 84.0}
    assert axes.get_ylabel() == "loudness (LUFS)"
    wide = plots.plot_over_keys(curves, _axes(), label="loudness (LUFS)", least_range=300.0)
    assert np.diff(wide.get_ylim())[0] == pytest.approx(300.0)
    labels = [text.get_text() for text in axes.get_legend().get_texts()]
    assert labels == ["velocity 40", "velocity 100"]


def test_final_losses_show_every_seed() -> None:
    """Each seed is a point, and the median of numpy is marked."""
    seeds = [[1.0, 2.0, 4.0], [3.0, 3.0, 6.0]]
    axes = plots.plot_final_losses(["one", "two"], seeds, _axes())
    points = [list(line.get_xdata()) for line in axes.get_lines() if line.get_marker() == "o"]
    assert points == seeds
    assert [text.get_text() for text in axes.texts] == ["one", "two"]
    marks = [line.get_xdata()[0] for line in axes.get_lines() if line.get_marker() == "|"]
    assert marks == [2.0, 3.0]


@pytest.mark.parametrize("kind", ["png", "svg"])
def test_pictures_can_be_saved(kind: str, pair: plots.SoundPair) -> None:
    """Both formats come out; an SVG keeps its text as text."""
    buffer = io.BytesIO()
    with plots.plot_style(plots.DARK):
        figure = Figure(figsize=(4, 3))
        plots.plot_envelopes(pair, figure.subplots(), palette=plots.DARK)
        figure.savefig(buffer, format=kind)
    content = buffer.getvalue()
    expected = b"\x89PNG" if kind == "png" else b"level (dB)</text>"
    assert expected in content


def _luminance(colour: str) -> float:
    """Return the relative luminance of WCAG 2.2."""
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in to_rgb(colour)]
    return float(np.dot([0.2126, 0.7152, 0.0722], linear))


def _contrast(first: str, second: str) -> float:
    """Return the contrast of WCAG 2.2."""
    high, low = sorted((_luminance(first), _luminance(second)), reverse=True)
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_colours_stand_out_from_the_paper(theme: str) -> None:
    """WCAG 2.2: text at 4.5 to 1 (1.4.3), lines at 3 to 1 (1.4.11)."""
    palette = plots.find_palette(theme)
    assert _contrast(palette.ink, palette.paper) >= 4.5
    for colour in (palette.target, palette.match, *palette.series):
        assert _contrast(colour, palette.paper) >= 3.0


# G. M. Machado et al., "A physiologically-based model for simulation of color vision deficiency",
# IEEE TVCG 15(6), 2009, table of matrices at severity 1.0, for linear RGB.
DEFICIENCIES = {
    "protanopia": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deuteranopia": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritanopia": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}


def _lab(linear: np.ndarray) -> np.ndarray:
    """Convert linear sRGB to CIE Lab under D65 (IEC 61966-2-1, CIE 15)."""
    to_xyz = [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    x, y, z = np.array(to_xyz) @ np.clip(linear, 0.0, 1.0) / np.array([0.9505, 1.0, 1.089])
    f = [c ** (1 / 3) if c > 0.008856 else 7.787 * c + 16 / 116 for c in (x, y, z)]
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


@pytest.mark.parametrize("deficiency", DEFICIENCIES)
@pytest.mark.parametrize("theme", ["light", "dark"])
def test_both_sounds_can_be_told_apart(theme: str, deficiency: str) -> None:
    """As a reader with this colour vision sees them, target and match still differ clearly."""
    palette = plots.find_palette(theme)
    matrix = np.array(DEFICIENCIES[deficiency])
    for pair_of_colours in ((palette.target, palette.match), (palette.more, palette.less)):
        linear = [
            np.array([c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in rgb])
            for rgb in map(to_rgb, pair_of_colours)
        ]
        first, second = (_lab(matrix @ colour) for colour in linear)
        # A difference of 2.3 is just noticeable in Lab (G. Sharma, Digital Color Imaging
        # Handbook, 2003); ten times that is seen at a glance.
        assert np.linalg.norm(first - second) > 23.0


def test_an_unknown_theme_is_refused() -> None:
    """The message names the themes."""
    with pytest.raises(ParameterError, match="it must be light or dark"):
        plots.find_palette("sepia")
