"""The page's numbers of a zone on a photo, and the photo itself."""

from io import BytesIO

import numpy as np
import pytest
from PIL import Image

from tapscan.desk.views.photo_zones import photo_document, photo_jpeg
from tapscan.plan.text.reading import read_plan
from tests.test_photo_zone import FEW, listed, photo_plan, with_photo


@pytest.fixture
def part(tmp_path):
    sha = with_photo(tmp_path)
    # One name of the grid, 02-01, has no point.
    plan = photo_plan(listed([FEW[0], FEW[1], FEW[3]]), sha=sha)
    (tmp_path / "inspection.toml").write_text(plan, encoding="utf-8")
    return tmp_path


def test_points_and_cells_are_given_by_their_place_in_the_arrays(part):
    document = photo_document(read_plan(part).zones[0], part)
    assert document["points"] == {0: [200.0, 200.0], 1: [260.0, 200.0], 3: [260.0, 260.0]}
    assert set(document["cells"]) == {0, 1, 3}
    assert document["size"] == [1000, 800]


def test_a_hole_of_the_face_is_drawn_over_the_cells_round_it(part):
    plan = (part / "inspection.toml").read_text(encoding="utf-8")
    hole = [[400, 400], [500, 400], [450, 480]]
    (part / "inspection.toml").write_text(
        plan.replace("outline =", f"holes = [{hole}]\noutline ="), encoding="utf-8"
    )
    assert photo_document(read_plan(part).zones[0], part)["holes"] == [hole]


def test_the_net_leads_from_millimetres_to_pixels(part):
    net = photo_document(read_plan(part).zones[0], part)["net"]
    px = np.array(net["px"])
    # The outline's corners: 100, 100 to 900, 700 at 5 pixels a millimetre.
    assert px[0, 0] == pytest.approx([100, 100], abs=0.01)
    assert px[-1, -1] == pytest.approx([900, 700], abs=0.01)
    assert net["step_mm"] == pytest.approx([160 / 32, 120 / 32])


def test_the_photo_is_served_without_what_the_camera_wrote(part):
    picture = Image.open(BytesIO(photo_jpeg(read_plan(part).zones[0], part)))
    assert picture.size == (1000, 800)
    assert not picture.getexif()
