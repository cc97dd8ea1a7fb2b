import numpy as np
import pytest

from tapscan.proving.figures.charts import individuals_chart, prediction


def test_a_value_far_off_is_beyond():
    chart = individuals_chart([10.0, 10.2, 9.9, 10.1, 10.0, 10.2, 14.0])
    assert chart.beyond.tolist() == [False] * 6 + [True]


def test_eight_in_a_row_on_one_side_drift():
    steady = [0.0, 1.0] * 8
    assert not individuals_chart(steady).is_drifting
    assert individuals_chart([0.0] * 8 + [1.0] * 8).is_drifting


def test_one_value_is_no_chart():
    with pytest.raises(ValueError, match="two at least"):
        individuals_chart([1.0])


def test_predictions_hold_as_often_as_they_say():
    rng = np.random.default_rng(1)
    runs = rng.normal(size=(2000, 6))
    missed = 0
    for run in runs:
        low, high = prediction(run[:5], 0.1)
        missed += not low <= run[5] <= high
    assert missed / 2000 == pytest.approx(0.1, abs=0.02)


def test_with_one_value_nothing_is_predicted():
    assert prediction([3.0], 0.01) == (-np.inf, np.inf)
