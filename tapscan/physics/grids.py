"""A round patch laid down anywhere on a grid of points: how many it holds, and how often none."""

import numpy as np

__all__ = ["covering_radius_mm", "expected_points", "missed_share"]


def covering_radius_mm(pitch_mm: tuple[float, float]) -> float:
    """Radius from which a disc holds a point of the grid wherever it is: half the cell's diagonal.

    Source: elementary geometry.

    Examples
    --------
    >>> covering_radius_mm((6.0, 8.0))
    5.0
    """
    return float(np.hypot(*pitch_mm)) / 2


def expected_points(radius_mm: float, pitch_mm: tuple[float, float]) -> float:
    """Points that a disc holds on average over all places, ``πa² / (p q)``. Source: elementary geometry.

    Examples
    --------
    >>> round(expected_points(10.0, (10.0, 10.0)), 3)
    3.142
    """
    return float(np.pi * radius_mm**2 / (pitch_mm[0] * pitch_mm[1]))


def missed_share(radius_mm: float, pitch_mm: tuple[float, float]) -> float:
    """Chance that a disc laid down anywhere holds no point of the grid.

    One less the share of a quarter cell that is within the radius of its corner: the area under a circle
    cut off by a rectangle. Source: elementary geometry.

    Examples
    --------
    >>> [round(missed_share(a, (10.0, 10.0)), 4) for a in (0.0, 5.0, 7.0, 7.08)]
    [1.0, 0.2146, 0.0002, 0.0]
    """
    if radius_mm <= 0:
        return 1.0
    width, height = (p / 2 for p in pitch_mm)
    if radius_mm >= np.hypot(width, height):
        return 0.0

    def under(x: float) -> float:
        """Area under the quarter circle from 0 to x."""
        return float(x * np.sqrt(radius_mm**2 - x**2) + radius_mm**2 * np.arcsin(x / radius_mm)) / 2

    right = min(width, radius_mm)
    flat = float(
        np.sqrt(max(radius_mm**2 - height**2, 0.0))
    )  # as far as here the rectangle cuts the circle off
    return 1 - (min(height, radius_mm) * flat + under(right) - under(flat)) / (width * height)
