import numpy as np
import pytest

from tapscan.errors import TapscanError
from tapscan.report.maps.detectable import (
    ascan_sentence,
    detectable_picture,
    draw_detectable,
    tap_rows,
    write_detectable,
)
from tapscan.report.maps.figures import drawing
from tapscan.screening.reach import outlook_of
from tests.report.fabricated import panel, plan_of, tube


def outlook(zone, *methods):
    return outlook_of(plan_of(zone), zone, methods or ("tap", "ascan"))


def drawn(result):
    with drawing():
        figure = draw_detectable(result)
    return figure, {child.get_gid(): child for child in figure.axes[0].get_children() if child.get_gid()}


def test_the_picture_holds_the_pitch_the_wall_and_both_methods():
    result = outlook(panel())
    _, parts = drawn(result)
    assert parts["wall"].get_xdata()[0] == 1.6
    assert parts["pitch"].get_ydata()[0] == 5.0
    depth, across = parts["taps detected"].get_data()
    assert depth.tolist() == pytest.approx([0.2 * k for k in range(1, 8)])
    assert across.tolist() == pytest.approx([2 * one.reach.radius_mm for one in result.taps.detectable])
    assert parts["ascans detected"].get_xdata() == pytest.approx((0.413, 1.187))


def test_depths_at_which_nothing_is_detected_are_written_and_not_drawn():
    result = outlook(tube(), "tap")
    figure, parts = drawn(result)
    assert np.asarray(parts["taps detected"].get_xdata()).max() == pytest.approx(0.8)
    words = [text.get_text() for text in figure.axes[0].texts]
    assert words.count("none\ndetected") == 3
    assert tap_rows(result.taps.detectable)[-1] == (
        "1.40",
        "–",
        "–",
        "none",
        "too stiff",
        "–",
    )


def test_the_assumptions_are_whole_on_the_picture():
    result = outlook(tube())
    figure, _ = drawn(result)
    written = " ".join(text.get_text() for text in figure.texts if text.get_gid() == "assumption")
    for line in (*result.taps.assumptions, *result.ascans.assumptions):
        assert line in written


def test_a_plan_that_says_too_little_has_no_picture(tmp_path):
    bare = outlook(tube(laminate=type(tube().laminate)(None, None, None, None, None)))
    assert detectable_picture(bare) is None
    assert ascan_sentence(bare.ascans) == ""
    assert write_detectable([bare], tmp_path) == []


def test_a_link_out_of_the_inspection_is_refused(tmp_path):
    (tmp_path / "out").mkdir()
    (tmp_path / "part").mkdir()
    (tmp_path / "part" / "results").symlink_to(tmp_path / "out")
    with pytest.raises(TapscanError, match="results: is a link out of the inspection"):
        write_detectable([outlook(panel())], tmp_path / "part")
    assert not list((tmp_path / "out").iterdir())
