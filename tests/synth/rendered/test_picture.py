from io import BytesIO

import numpy as np
import pytest
from PIL import Image

from tapscan.synth.rendered.picture import grey_png, write_words


@pytest.mark.parametrize("shape", [(1, 1), (7, 10), (300, 501)])
def test_an_independent_reader_finds_the_same_greys(shape):
    grey = np.random.default_rng(1).integers(0, 16, shape) * 17.0
    content = grey_png(grey)
    assert content == grey_png(grey)
    with Image.open(BytesIO(content)) as image:
        assert image.format == "PNG"
        assert (np.asarray(image.convert("L")) == grey).all()


def test_greys_between_the_sixteen_are_rounded_and_beyond_them_cut():
    with Image.open(BytesIO(grey_png(np.array([[-9.0, 8.4, 8.6, 300.0]])))) as image:
        assert np.asarray(image.convert("L")).tolist() == [[0, 0, 17, 255]]


def test_words_can_be_read_and_leave_the_rest_alone():
    grey = np.full((20, 120), 200.0)
    write_words(grey, "SYNTHETIC", (3, 4), 2)
    dark = grey < 100
    assert not dark[:3].any()
    assert not dark[17:].any()
    columns = dark.any(axis=0)
    starts = np.flatnonzero(columns & ~np.roll(columns, 1))
    assert len(starts) == len("SYNTHETIC")
    # The two Ts are alike, and unlike the Es.
    letters = [dark[3:17, 4 + 12 * n : 14 + 12 * n] for n in range(9)]
    assert (letters[3] == letters[6]).all()
    assert (letters[3] != letters[5]).any()
