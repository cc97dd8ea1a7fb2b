"""The surface of an arena part: its points, the way round it, and how far it is to the rim of a damage."""

from dataclasses import dataclass

import numpy as np

from tests.independent.strikes import Array, Damage

__all__ = ["Surface", "elliptic", "rim_mm", "visible_area_mm2"]

RIM_POINTS = 720


@dataclass(frozen=True, slots=True)
class Surface:
    """A tube or cone (`girth_mm` at both ends) or, when that is None, a flat panel."""

    stations: int = 40
    positions: int = 12
    station_pitch_mm: float = 10.0
    girth_mm: tuple[float, float] | None = (120.0, 120.0)
    position_pitch_mm: float = 10.0  # of a panel

    @property
    def length_mm(self) -> float:
        return self.stations * self.station_pitch_mm

    @property
    def width_mm(self) -> float:
        """Mean girth, or the panel's width."""
        if self.girth_mm is not None:
            return sum(self.girth_mm) / 2
        return self.positions * self.position_pitch_mm

    @property
    def pitch_mm(self) -> float:
        """The larger of the grid's two."""
        return max(self.station_pitch_mm, self.width_mm / self.positions)

    @property
    def s_range_mm(self) -> tuple[float, float]:
        """Least and largest s on the part: position 1 of a panel is half a pitch from its edge."""
        if self.girth_mm is not None:
            return 0.0, self.width_mm
        return -self.position_pitch_mm / 2, (self.positions - 0.5) * self.position_pitch_mm

    def girth_at_mm(self, x_mm: Array) -> Array:
        """Way round at x; infinite on a panel."""
        if self.girth_mm is None:
            return np.full(np.shape(x_mm), np.inf)
        start, end = self.girth_mm
        return start + (end - start) * np.asarray(x_mm) / self.length_mm

    def points_mm(self) -> tuple[Array, Array]:
        """x and s of every planned point, (stations, positions)."""
        x = (np.arange(self.stations) + 0.5) * self.station_pitch_mm
        if self.girth_mm is None:
            s = np.arange(self.positions) * self.position_pitch_mm
            return tuple(np.meshgrid(x, s, indexing="ij"))  # type: ignore[return-value]
        x_mm, turn = np.meshgrid(x, np.arange(self.positions) / self.positions, indexing="ij")
        return x_mm, turn * self.girth_at_mm(x_mm)

    def away_mm(self, x_mm: Array, s_mm: Array, damage: Damage) -> tuple[Array, Array]:
        """Distance along and across from a damage's middle, the short way round."""
        across = np.asarray(s_mm) - damage.s_mm
        if self.girth_mm is not None:
            girth = self.girth_at_mm(x_mm)
            across = (across + girth / 2) % girth - girth / 2
        return np.asarray(x_mm) - damage.x_mm, across


def elliptic(surface: Surface, damage: Damage, x_mm: Array, s_mm: Array) -> tuple[Array, Array]:
    """Place in a damage: radius in parts of the rim's (1 on the rim), and angle from its first axis."""
    dx, ds = surface.away_mm(x_mm, s_mm, damage)
    cos, sin = np.cos(damage.angle_rad), np.sin(damage.angle_rad)
    along, across = (cos * dx + sin * ds) / damage.radii_mm[0], (cos * ds - sin * dx) / damage.radii_mm[1]
    return np.hypot(along, across), np.arctan2(across, along)


def rim_mm(surface: Surface, damage: Damage, x_mm: Array, s_mm: Array) -> Array:
    """Distance of points from a damage's rim, negative inside."""
    dx, ds = surface.away_mm(x_mm, s_mm, damage)
    turn = np.arange(RIM_POINTS) * 2 * np.pi / RIM_POINTS
    cos, sin = np.cos(damage.angle_rad), np.sin(damage.angle_rad)
    first, second = damage.radii_mm[0] * np.cos(turn), damage.radii_mm[1] * np.sin(turn)
    rim_x, rim_s = cos * first - sin * second, sin * first + cos * second
    nearest = np.hypot(dx[..., None] - rim_x, ds[..., None] - rim_s).min(axis=-1)
    return np.where(elliptic(surface, damage, x_mm, s_mm)[0] < 1, -nearest, nearest)


def visible_area_mm2(surface: Surface, damage: Damage) -> float:
    """Area of a damage as far as it is on the part, counted in squares of half a millimetre."""
    step = 0.5
    x = np.arange(step / 2, surface.length_mm, step)
    x = x[np.abs(x - damage.x_mm) <= max(damage.radii_mm)]
    low, high = surface.s_range_mm
    turns = np.arange(step / 2, high - low, step) / (high - low)
    x_mm, turn = np.meshgrid(x, turns, indexing="ij")
    wide = np.where(surface.girth_mm is None, high - low, surface.girth_at_mm(x_mm))
    inside = elliptic(surface, damage, x_mm, low + turn * wide)[0] < 1
    return float((inside * step * step * wide / (high - low)).sum())
