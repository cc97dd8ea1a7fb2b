"""Areas, lengths and shares on pictures that nobody here made: those that scikit-image carries.

Source: scikit-image's `skimage.data` (horse, gravel, grass, brick), and its `regionprops` as the reference.
"""

import numpy as np
import pytest
from scipy import ndimage

from tapscan.cutface.measures import measure_outlines
from tapscan.cutface.porosity import measure_porosity
from tapscan.cutface.proposals import propose_voids
from tapscan.cutface.scale import scale_of

data = pytest.importorskip("skimage.data")
measure = pytest.importorskip("skimage.measure")

SHARES = (0.05, 0.1, 0.3)
WINDOW_PX = 128
# Of 48 windows at 95 % the standard deviation is 3.1 %: three of them below.
LEAST_HELD = 0.856


def test_area_and_length_of_a_ragged_outline():
    """A drawing of a horse, as ragged as any void: area and longest length as regionprops has them."""
    shape = ~data.horse()
    (true,) = measure.regionprops(measure.label(shape))
    rows, columns = shape.shape
    whole = [[-0.5, -0.5], [columns - 0.5, -0.5], [columns - 0.5, rows - 0.5], [-0.5, rows - 0.5]]
    outlines = propose_voids(np.where(shape, 40, 200).astype(np.uint8), whole)
    found = measure_outlines(scale_of([[0, 0], [200, 0]], 20.0), outlines, whole)
    assert found.count == 1
    assert found.area_mm2.value == pytest.approx(true.area / 100, rel=0.03)
    assert found.longest_mm.value == pytest.approx(true.feret_diameter_max / 10, rel=0.01, abs=0.1)
    assert found.share.value == pytest.approx(shape.mean(), rel=0.03)


@pytest.mark.parametrize(
    "name",
    [
        "gravel",
        pytest.param(
            "grass",
            marks=pytest.mark.xfail(reason="darker and lighter places as wide as a window", strict=True),
        ),
        pytest.param("brick", marks=pytest.mark.xfail(reason="joints as far apart as a window", strict=True)),
    ],
)
def test_intervals_of_a_window_hold_the_whole_picture_s_share(name):
    """Dark shares of textures: where a window shows what the texture is like, its interval holds.

    Where the texture is patchy on the scale of the window, no window can know that.
    """
    smooth = ndimage.gaussian_filter(getattr(data, name)().astype(float), 1.0)
    held = []
    for share in SHARES:
        dark = smooth < np.quantile(smooth, share)
        for row in range(0, 512, WINDOW_PX):
            for column in range(0, 512, WINDOW_PX):
                window = dark[row : row + WINDOW_PX, column : column + WINDOW_PX]
                found = measure_porosity(window, np.ones_like(window))
                held.append(found.low <= share <= found.high)
    assert len(held) == 48
    assert np.mean(held) >= LEAST_HELD
