"""Rendered cut faces whose truth is known: shapes as fields over the plane, seen through a pinhole camera.

The renderer knows nothing of outlines or clicks. Each pixel is the mean of 16 rays through the camera to the
plane, where a shape is a function of x and y in mm that says inside or outside; then the lens blurs (a
uniform disc), and noise and uneven light are added.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Inside = Callable[[Array, Array], NDArray[np.bool_]]


@dataclass(frozen=True)
class Camera:
    """A pinhole above the middle of a face: `px_per_mm` there, tilted about both axes."""

    width: int
    height: int
    px_per_mm: float
    tilt_x_deg: float = 0.0
    tilt_y_deg: float = 0.0
    distance_mm: float = 120.0

    def _frame(self) -> Array:
        a, b = np.radians([self.tilt_x_deg, self.tilt_y_deg])
        about_x = np.array([[1, 0, 0], [0, np.cos(a), -np.sin(a)], [0, np.sin(a), np.cos(a)]])
        about_y = np.array([[np.cos(b), 0, np.sin(b)], [0, 1, 0], [-np.sin(b), 0, np.cos(b)]])
        return about_x @ about_y

    def px(self, x_mm, y_mm) -> Array:
        """Where places of the face, from its middle, are in the photo: (n, 2)."""
        ground = np.column_stack([np.ravel(x_mm), np.ravel(y_mm), np.zeros(np.size(x_mm))])
        x, y, z = (ground @ self._frame().T + [0, 0, self.distance_mm]).T
        focal = self.px_per_mm * self.distance_mm
        return np.column_stack([focal * x / z + (self.width - 1) / 2, focal * y / z + (self.height - 1) / 2])

    def mm(self, column: Array, row: Array) -> tuple[Array, Array]:
        """Where the rays through pixels meet the face."""
        focal = self.px_per_mm * self.distance_mm
        frame = self._frame()
        ray = np.stack(
            [
                (column - (self.width - 1) / 2) / focal,
                (row - (self.height - 1) / 2) / focal,
                np.ones_like(row),
            ]
        )
        eye = frame.T @ np.array([0, 0, -self.distance_mm])
        turned = np.einsum("ij,jkl->ikl", frame.T, ray)
        reach = -eye[2] / turned[2]
        return eye[0] + reach * turned[0], eye[1] + reach * turned[1]


def disc(x0: float, y0: float, radius: float) -> Inside:
    return lambda x, y: (x - x0) ** 2 + (y - y0) ** 2 < radius**2


def ellipse(x0: float, y0: float, a: float, b: float, turn_deg: float) -> Inside:
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    return lambda x, y: (
        (((x - x0) * c + (y - y0) * s) / a) ** 2 + ((-(x - x0) * s + (y - y0) * c) / b) ** 2 < 1
    )


def band(low: Callable[[Array], Array], high: Callable[[Array], Array]) -> Inside:
    return lambda x, y: (y > low(x)) & (y < high(x))


def _traced(camera: Camera, shapes: Sequence[tuple[Inside, float]], row: int, ground: float) -> Array:
    """One row of pixels; the rays of a whole photo would be hundreds of megabytes."""
    fine = 4
    rows = row + (np.arange(fine) + 0.5) / fine - 0.5
    columns = (np.arange(camera.width * fine) + 0.5) / fine - 0.5
    x, y = camera.mm(*np.meshgrid(columns, rows))
    grey = np.full(x.shape, ground)
    for is_inside, own in shapes:
        grey[is_inside(x, y)] = own
    return grey.reshape(fine, camera.width, fine).mean(axis=(0, 2))


def rendered(
    camera: Camera,
    shapes: Sequence[tuple[Inside, float]],
    seed: int = 0,
    *,
    ground: float = 150.0,
    noise: float = 4.0,
    blur_px: int = 1,
) -> NDArray[np.uint8]:
    """Grey photo, (rows, columns): shapes with their grey, one over the other, on a ground."""
    picture = np.vstack([_traced(camera, shapes, row, ground) for row in range(camera.height)])
    offsets = [
        (i, j)
        for i in range(-blur_px, blur_px + 1)
        for j in range(-blur_px, blur_px + 1)
        if i * i + j * j <= blur_px * blur_px
    ]
    picture = np.mean([np.roll(picture, offset, (0, 1)) for offset in offsets], axis=0)
    picture *= 1 + 0.03 * np.linspace(-1, 1, camera.width)  # uneven light
    picture += noise * np.random.default_rng(seed).standard_normal(picture.shape)
    return np.clip(np.rint(picture), 0, 255).astype(np.uint8)
