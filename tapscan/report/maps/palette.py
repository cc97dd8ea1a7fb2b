"""The colours and signs of every picture and page, in one place.

Two rules are behind the choice. A copy in grey must still read, so lightness alone carries a quantity: each
ramp falls evenly in CIE lightness from paper to ink. And colour alone never marks a status: each status has
its own sign and its own word. On a dark page every colour keeps its hue and changes sides in lightness, so
that what is quiet on paper is quiet there.
"""

from typing import TYPE_CHECKING, Literal

import numpy as np

from tapscan.screening.results import CLEAR, SKIPPED, SUSPECT, UNREAD

if TYPE_CHECKING:
    from matplotlib.colors import ListedColormap
    from numpy.typing import NDArray

    from tapscan.screening.results import Method

__all__ = [
    "ACCENT",
    "CRAYON",
    "HAIRLINE",
    "INK",
    "MUTED",
    "PALE",
    "PAPER",
    "RAMPS",
    "SIGNS",
    "TINT",
    "UNREAD_HATCH",
    "Ramp",
    "colour_map",
    "css_variables",
    "hex_text",
    "ramp_rgb",
]

Ramp = Literal["score", "depth"]

INK = "#1d2731"  # text and lines
MUTED = "#55616b"  # secondary text; still 6:1 on paper
HAIRLINE = "#c9c5bb"  # rules and grid lines
PAPER = "#ffffff"
TINT = "#f3f1ec"  # quiet panels on the page
ACCENT = "#17555f"  # headings, the baseline's spread
PALE = 0.35  # opacity of what is repeated
CRAYON = "#a03c0c"  # indications: the crayon line on the part

# One meaning for each hatching, in every picture: what the tap test did not read, what the A-scan did not.
UNREAD_HATCH: "dict[Method, str]" = {"tap": "//////", "ascan": "\\\\\\\\\\\\"}
SIGNS = {CLEAR: "○", SUSPECT: "◆", UNREAD: "▨", SKIPPED: "□"}

# Anchors (L*, a*, b*), evenly spaced along the ramp. Sand to teal to night for how far a reading is from
# the baseline; sand to clay to plum for depth, so that two maps of one zone are never taken for each other.
RAMPS: dict[Ramp, tuple[tuple[float, float, float], ...]] = {
    "score": ((97, -1, 7), (77, -15, 6), (57, -22, -9), (37, -8, -24), (17, 8, -24)),
    "depth": ((97, 1, 7), (77, 11, 22), (57, 27, 20), (37, 31, 1), (17, 19, -14)),
}

# CIE 1931 XYZ of the D65 white, and XYZ to linear sRGB (IEC 61966-2-1; from memory).
_WHITE = np.array([0.95047, 1.0, 1.08883])
# On a dark page L* becomes this much less L*: paper's 100 turns into 10, a black that is easy on the eye.
_DARK_SUM = 110.0
_TO_RGB = np.array(
    [
        [3.2404542, -1.5371385, -0.4985314],
        [-0.9692660, 1.8760108, 0.0415560],
        [0.0556434, -0.2040259, 1.0572252],
    ]
)


def ramp_rgb(name: Ramp, steps: int = 256, *, dark: bool = False) -> "NDArray[np.float64]":
    """Return the colours of a ramp from quiet to strong, shape ``(steps, 3)``, sRGB between 0 and 1.

    The anchors are joined by straight lines in CIELAB (CIE 1976), and L* changes by the same amount each
    step: it falls from paper to ink, or rises on a `dark` page.

    Examples
    --------
    >>> ramp_rgb("score", 3).shape
    (3, 3)
    """
    anchors = np.array(RAMPS[name], dtype=float)
    at = np.linspace(0, len(anchors) - 1, steps)
    lab = np.stack([np.interp(at, np.arange(len(anchors)), column) for column in anchors.T], axis=1)
    return _rgb_of_lab(_other_side(lab) if dark else lab)


def _other_side(lab: "NDArray[np.float64]") -> "NDArray[np.float64]":
    return np.column_stack([_DARK_SUM - lab[:, 0], lab[:, 1:]])


def _rgb_of_lab(lab: "NDArray[np.float64]") -> "NDArray[np.float64]":
    lightness, a, b = lab.T
    y = (lightness + 16) / 116
    cube_root = np.stack([y + a / 500, y, y - b / 200], axis=1)
    low = 3 * (6 / 29) ** 2 * (cube_root - 4 / 29)
    xyz = np.where(cube_root > 6 / 29, cube_root**3, low) * _WHITE
    linear = np.clip(xyz @ _TO_RGB.T, 0, 1)
    return np.asarray(np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055))


def _lab_of_rgb(rgb: "NDArray[np.float64]") -> "NDArray[np.float64]":
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    share = linear @ np.linalg.inv(_TO_RGB).T / _WHITE
    low = share / (3 * (6 / 29) ** 2) + 4 / 29
    x, y, z = np.where(share > (6 / 29) ** 3, np.cbrt(share), low).T
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=1)


def hex_text(rgb: "NDArray[np.float64]") -> str:
    """Spell one colour, shape ``(3,)``, as a style sheet does.

    Examples
    --------
    >>> hex_text(np.array([1.0, 0.5, 0.0]))
    '#ff8000'
    """
    return "#" + "".join(f"{round(float(share) * 255):02x}" for share in rgb)


def colour_map(name: Ramp, *, dark_first: bool = False) -> "ListedColormap":
    """Return a ramp as a matplotlib colour map, from light to dark unless `dark_first`."""
    from matplotlib.colors import ListedColormap

    colours = ramp_rgb(name)
    return ListedColormap(colours[::-1] if dark_first else colours, name=f"tapscan {name}")


def css_variables(*, dark: bool = False) -> dict[str, str]:
    """Name the plain colours for a style sheet, those of a `dark` page when requested.

    Examples
    --------
    >>> css_variables()["ink"], css_variables(dark=True)["ink"]
    ('#1d2731', '#e6f2ff')
    """
    colours = {
        "ink": INK,
        "muted": MUTED,
        "hairline": HAIRLINE,
        "paper": PAPER,
        "tint": TINT,
        "accent": ACCENT,
        "crayon": CRAYON,
    }
    if not dark:
        return colours
    rgb = np.array([[int(text[i : i + 2], 16) / 255 for i in (1, 3, 5)] for text in colours.values()])
    turned = _rgb_of_lab(_other_side(_lab_of_rgb(rgb)))
    return {name: hex_text(row) for name, row in zip(colours, turned, strict=True)}
