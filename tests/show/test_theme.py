"""The colours can be read, on light and on dark, and told apart by colour-blind readers."""

import itertools

import numpy as np
import pytest

from failstats.show.theme import DARK, LIGHT, SERIES_COLOURS, configuration, contrast

READABLE = 4.5  # WCAG 2.2, success criterion 1.4.3, text of normal size
APART = 20.0  # CIE76; a just noticeable difference is about 2.3 (Mahy and others 1994, from memory)

# Machado, Oliveira and Fernandes 2009, severity 1.0 (matrices from memory)
SIGHT = {
    "normal": np.eye(3),
    "protanopia": np.array(
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ]
    ),
    "deuteranopia": np.array(
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ]
    ),
}
# sRGB to XYZ, IEC 61966-2-1
TO_XYZ = np.array(
    [
        [0.4124564, 0.3575761, 0.1804375],
        [0.2126729, 0.7151522, 0.0721750],
        [0.0193339, 0.1191920, 0.9503041],
    ]
)


def lab(colour: str, sight: np.ndarray) -> np.ndarray:
    """CIE L*a*b* (white D65) of a colour as somebody with this sight sees it."""
    level = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    linear = np.where(level <= 0.04045, level / 12.92, ((level + 0.055) / 1.055) ** 2.4)
    xyz = TO_XYZ @ np.clip(sight @ linear, 0, 1) / np.array([0.95047, 1.0, 1.08883])
    f = np.where(xyz > 0.008856, np.cbrt(np.maximum(xyz, 1e-9)), 7.787 * xyz + 16 / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def test_contrast_of_known_pairs():
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#ffffff", "#000000") == pytest.approx(21.0)
    # WCAG's own example of the smallest grey that passes on white, #767676 (4.54 : 1)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)


@pytest.mark.parametrize("colours", [LIGHT, DARK], ids=["light", "dark"])
def test_every_word_and_line_can_be_read(colours):
    for name in ("ink", "faint_ink"):
        assert contrast(colours[name], colours["page"]) >= READABLE
    for colour in colours["series"]:  # names beside lines are written in these
        assert contrast(colour, colours["page"]) >= READABLE
    assert contrast(colours["guide"], colours["page"]) >= 3.0  # WCAG 1.4.11, graphics


@pytest.mark.parametrize("colours", [LIGHT, DARK], ids=["light", "dark"])
def test_words_on_heat_cells_can_be_read(colours):
    low, middle, high = colours["heat"]
    assert contrast(colours["on_low"], low) >= READABLE
    assert contrast(colours["on_low"], middle) >= READABLE
    assert contrast(colours["on_high"], middle) >= READABLE
    assert contrast(colours["on_high"], high) >= READABLE


@pytest.mark.parametrize("sight", SIGHT)
@pytest.mark.parametrize("colours", [LIGHT, DARK], ids=["light", "dark"])
def test_series_can_be_told_apart(colours, sight):
    assert len(colours["series"]) == SERIES_COLOURS
    seen = [lab(colour, SIGHT[sight]) for colour in colours["series"]]
    nearest = min(np.linalg.norm(a - b) for a, b in itertools.combinations(seen, 2))
    assert nearest >= APART


def test_fonts_come_from_the_system_only():
    assert "http" not in str(configuration(LIGHT)) + str(configuration(DARK))
    assert "system-ui" in configuration()["font"]
