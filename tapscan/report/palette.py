"""The colours and signs of every picture and page, in one place.

Two rules stand behind the choice. A copy in grey must still read, so lightness alone carries a quantity: each
ramp falls evenly in CIE lightness from paper to ink. And colour alone never tells a status: each status has
its own sign and its own word.
"""

from typing import TYPE_CHECKING, Literal

import numpy as np

from tapscan.screening.results import CLEAR, SKIPPED, SUSPECT, UNREAD

if TYPE_CHECKING:
    from matplotlib.colors import ListedColormap
    from numpy.typing import NDArray

__all__ = [
    "ACCENT",
    "CRAYON",
    "HAIRLINE",
    "INK",
    "MUTED",
    "PAPER",
    "RAMPS",
    "SIGNS",
    "TINT",
    "Ramp",
    "colour_map",
    "css_variables",
    "ramp_rgb",
]

Ramp = Literal["score", "depth"]

INK = "#1d2731"  # text and lines
MUTED = "#55616b"  # secondary text; still 6:1 on paper
HAIRLINE = "#c9c5bb"  # rules and grid lines
PAPER = "#ffffff"
TINT = "#f3f1ec"  # quiet panels on the page
ACCENT = "#17555f"  # headings, the baseline's spread
CRAYON = "#a03c0c"  # indications: the crayon line on the part

SIGNS = {CLEAR: "○", SUSPECT: "◆", UNREAD: "▨", SKIPPED: "□"}

# Anchors (L*, a*, b*), evenly spaced along the ramp. Sand to teal to night for how far a reading lies from
# good; sand to clay to plum for depth, so that two maps of one zone are never taken for each other.
RAMPS: dict[Ramp, tuple[tuple[float, float, float], ...]] = {
    "score": ((97, -1, 7), (77, -15, 6), (57, -22, -9), (37, -8, -24), (17, 8, -24)),
    "depth": ((97, 1, 7), (77, 11, 22), (57, 27, 20), (37, 31, 1), (17, 19, -14)),
}

# CIE 1931 XYZ of the D65 white, and XYZ to linear sRGB (IEC 61966-2-1; from memory).
_WHITE = np.array([0.95047, 1.0, 1.08883])
_TO_RGB = np.array(
    [
        [3.2404542, -1.5371385, -0.4985314],
        [-0.9692660, 1.8760108, 0.0415560],
        [0.0556434, -0.2040259, 1.0572252],
    ]
)


def ramp_rgb(name: Ramp, steps: int = 256) -> "NDArray[np.float64]":
    """Return the colours of a ramp from light to dark, shape ``(steps, 3)``, sRGB between 0 and 1.

    The anchors are joined by straight lines in CIELAB (CIE 1976), and L* falls by the same amount each step.

    Examples
    --------
    >>> ramp_rgb("score", 3).shape
    (3, 3)
    """
    anchors = np.array(RAMPS[name], dtype=float)
    at = np.linspace(0, len(anchors) - 1, steps)
    lightness, a, b = (np.interp(at, np.arange(len(anchors)), column) for column in anchors.T)
    y = (lightness + 16) / 116
    cube_root = np.stack([y + a / 500, y, y - b / 200], axis=1)
    low = 3 * (6 / 29) ** 2 * (cube_root - 4 / 29)
    xyz = np.where(cube_root > 6 / 29, cube_root**3, low) * _WHITE
    linear = np.clip(xyz @ _TO_RGB.T, 0, 1)
    return np.asarray(np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055))


def colour_map(name: Ramp, *, dark_first: bool = False) -> "ListedColormap":
    """Return a ramp as a matplotlib colour map, from light to dark unless `dark_first`."""
    from matplotlib.colors import ListedColormap

    colours = ramp_rgb(name)
    return ListedColormap(colours[::-1] if dark_first else colours, name=f"tapscan {name}")


def css_variables() -> dict[str, str]:
    """Name the plain colours for a style sheet.

    Examples
    --------
    >>> css_variables()["ink"]
    '#1d2731'
    """
    return {
        "ink": INK,
        "muted": MUTED,
        "hairline": HAIRLINE,
        "paper": PAPER,
        "tint": TINT,
        "accent": ACCENT,
        "crayon": CRAYON,
    }
