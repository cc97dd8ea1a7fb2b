"""The sheet of squares measured from outside, in mm on the paper, by an independent PDF reader."""

from io import BytesIO

import numpy as np
import pytest
from pypdf import PdfReader
from pypdf.generic import ContentStream

from tapscan.report.marking.squares import SQUARES_MM, squares_pdf
from tapscan.report.marking.tiling import A4, LETTER, MARGIN_MM

MM = 25.4 / 72
MARGIN = np.array([-3, -3, 3, 3])  # white paper round each


def filled(pdf):
    """Filled boxes (left, top, right, bottom) in mm from the paper's upper left corner, and the text."""
    reader = PdfReader(BytesIO(pdf))
    (page,) = reader.pages
    boxes, path = [], []
    for operands, operator in ContentStream(page.get_contents(), reader).operations:
        numbers = [float(one) for one in operands if isinstance(one, (int, float))]
        if operator in (b"m", b"l"):
            path.append(numbers)
        elif operator in (b"f", b"F", b"f*"):
            corners = np.array(path) * MM
            corners[:, 1] = float(page.mediabox.height) * MM - corners[:, 1]
            boxes.append([*corners.min(axis=0), *corners.max(axis=0)])
            path = []
        elif operator in (b"S", b"s", b"B", b"b", b"n"):
            path = []
    return np.array(boxes[1:]), page.extract_text()  # the first one is the paper


@pytest.mark.parametrize("paper", [A4, LETTER], ids=["A4", "Letter"])
def test_squares_are_as_large_as_they_say_and_apart(paper):
    boxes, text = filled(squares_pdf(paper))
    sides = boxes[:, 2:] - boxes[:, :2]
    assert np.abs(sides[:, 0] - sides[:, 1]).max() < 0.02
    frames = boxes[[np.abs(SQUARES_MM - side[0]).min() < 0.02 for side in sides]]
    assert sorted(np.round(frames[:, 2] - frames[:, 0], 1)) == sorted(SQUARES_MM)
    for number, one in enumerate(frames):
        wide = one + MARGIN
        assert wide[:2].min() > MARGIN_MM
        assert (wide[2:] < np.array([paper.width_mm, paper.height_mm]) - MARGIN_MM + 0.1).all()
        for other in frames[:number] + MARGIN:
            assert (wide[:2] >= other[2:]).any() or (wide[2:] <= other[:2]).any()
    assert "in its plane and not in front or behind" in text
    assert text.count("outer corners") == 5  # of 20, 30 and 50 mm, and once above


def test_the_same_sheet_every_time():
    assert squares_pdf(A4) == squares_pdf(A4)
