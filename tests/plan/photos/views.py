"""A flat face seen through a known camera, for checks against closed form."""

import numpy as np

from tapscan.plan.photos.layout import KnownLength, PhotoLayout, PhotoPoint, PrintedSquare

FOCAL_PX, FAR_MM, MIDDLE_PX = 3000.0, 800.0, (2000.0, 1500.0)


def seen_px(at_mm, tilt_deg=0.0):
    """Project places on a face that is turned about its upright axis: a pinhole camera."""
    x, y = np.asarray(at_mm, dtype=float).T
    turn = np.radians(tilt_deg)
    depth = FAR_MM + x * np.sin(turn)
    return np.column_stack(
        [MIDDLE_PX[0] + FOCAL_PX * x * np.cos(turn) / depth, MIDDLE_PX[1] + FOCAL_PX * y / depth]
    )


def pixels(places):
    return tuple((float(x), float(y)) for x, y in places)


def circle_mm(radius_mm, corners=720):
    angle = np.linspace(0, 2 * np.pi, corners, endpoint=False)
    return radius_mm * np.column_stack([np.cos(angle), np.sin(angle)])


def square_mm(side_mm, at=(0.0, 0.0)):
    return np.array([(-0.5, -0.5), (0.5, -0.5), (0.5, 0.5), (-0.5, 0.5)]) * side_mm + np.array(at)


def lattice_mm(stations, positions, pitch_mm):
    i, p = np.indices((stations, positions)).reshape(2, -1)
    middle = (np.array([positions, stations]) - 1) / 2
    return (np.column_stack([p, i]) - middle) * pitch_mm


def layout(points_mm, outline_mm, *, tilt_deg=0.0, square=None, lengths=(), names=None, holes=()):
    """Lay points on a photo; the scale is a printed `square` (mm), or `lengths` as pairs of places in mm."""
    names = names or [(1, n + 1) for n in range(len(points_mm))]
    points = seen_px(points_mm, tilt_deg)
    known = [
        KnownLength(*pixels(seen_px(pair, tilt_deg)), float(np.linalg.norm(np.subtract(*pair))))
        for pair in lengths
    ]
    side = None if square is None else float(np.linalg.norm(square[1] - square[0]))
    return PhotoLayout(
        photo="photos/a.png",
        sha256="",
        lengths=tuple(known),
        square=None if side is None else PrintedSquare(pixels(seen_px(square, tilt_deg)), side),
        outline_px=pixels(seen_px(outline_mm, tilt_deg)),
        holes_px=tuple(pixels(seen_px(hole, tilt_deg)) for hole in holes),
        points=tuple(PhotoPoint(i, p, at) for (i, p), at in zip(names, pixels(points), strict=True)),
    )
