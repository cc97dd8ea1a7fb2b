import json

import numpy as np
import pytest

from tapscan.errors import TapscanError
from tapscan.report.maps.figures import drawing
from tapscan.report.maps.pods import draw_pod
from tapscan.report.pages.pod_page import better_text, curve_text, exact_text, write_pod
from tapscan.sectioning.pod.study import study
from tapscan.sectioning.pod.thresholds import BetterThreshold
from tests.report.test_sections import drawn
from tests.sectioning.test_pod import simulated, trials


def test_a_picture_of_a_curve_ends_where_the_cuts_end():
    result = study(simulated())
    with drawing():
        figure = draw_pod([result])
        held = drawn(figure)
        (curve,) = (one for one in figure.findobj() if one.get_gid() == "pod curve")
    assert {
        "pod bounds",
        "hits",
        "misses",
        "a50",
        "a90",
        "a90/95",
        "response line",
        "roc",
        "limit in use",
    } <= set(held)
    sizes = np.asarray(curve.get_xdata())
    assert (sizes.min(), sizes.max()) == (result.trials.size_mm.min(), result.trials.size_mm.max())
    assert np.isfinite(np.asarray(curve.get_ydata())).all()


@pytest.mark.parametrize(
    ("size", "hit"), [([4, 6, 9, 12], [0, 0, 1, 1]), ([4.0], [1]), ([], []), ([5, 5, 5], [0, 1, 0])]
)
def test_a_picture_without_a_curve_says_so(size, hit):
    with drawing():
        held = drawn(draw_pod([study(trials(size, hit))]))
    assert "no curve" in held
    assert "pod curve" not in held
    assert ("exact bound" in held) == bool(size)


def test_the_page_and_its_numbers(tmp_path):
    result = [study(simulated()), study(trials([4, 6], [0, 1]))]
    page = write_pod(result, ["part-9: left out"], tmp_path / "pod", "1").read_text(encoding="utf-8")
    assert "every defect from 6 mm up was found and every one up to 4 mm was missed" in page
    assert "part-9: left out" in page
    assert "Clear is not proof of soundness" in page
    assert f"{result[0].curves['logit'].a90_95_mm:.3g} mm" in page
    numbers = json.loads((tmp_path / "pod/pod.json").read_text(encoding="utf-8"))
    assert numbers["version"] == "1"
    assert (tmp_path / "pod/pod.png").is_file()


def test_a_folder_that_cannot_be_written(tmp_path):
    (tmp_path / "pod").touch()
    with pytest.raises(TapscanError, match="pod: cannot be written"):
        write_pod([study(simulated())], [], tmp_path / "pod", "1")


def test_sizes_beyond_what_was_cut_are_not_reported():
    result = study(simulated(high=11.0))
    assert "a90 beyond what was cut, a90/95 beyond what was cut" in curve_text(result.curves["logit"])


def test_exact_statements_in_words():
    result = study(trials([4, 6, 9, 12], [0, 0, 1, 1]))
    assert (
        "Counting only sizes from 9 mm up, 2 of 2 were found: at least 22 % are found, with 95 % confidence; "
        "27 more cuts, all found, would demonstrate 90 %." in exact_text(result)
    )
    shown = study(trials(np.linspace(5, 9, 29), np.ones(29)))
    assert exact_text(shown)[0].endswith("29 of 29 were found: 90 % are demonstrated, with 95 % confidence.")


def test_another_limit_in_words():
    assert better_text(None).startswith("Without both")
    assert better_text(BetterThreshold(1.0, 1.0, 0.9, 1.1, 0.0, 0.0, 0.0)).startswith("No other limit")
    few = BetterThreshold(1.0, 0.6, None, None, 0.3, None, None, (3, 5), (0, 2))
    assert better_text(few) == (
        "By score alone, a limit of 0.6 in place of 1 would have called 5 defects in place of 3, and 2 sound "
        "points in place of 0. Too few parts to say how sure that is."
    )
    sure = BetterThreshold(1.0, 0.6, 0.5, 0.7, 0.3, 0.1, 0.4, (3, 5), (0, 2))
    assert "That is beyond chance" in better_text(sure)
    assert "+10 to +40 points" in better_text(sure)
    unsure = BetterThreshold(1.0, 0.6, 0.5, 0.7, 0.3, -0.1, 0.4, (3, 5), (0, 2))
    assert "That may be chance" in better_text(unsure)
    assert "−10 to +40" in better_text(unsure)
