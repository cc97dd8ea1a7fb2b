import numpy as np
import pytest

from tapscan.proving.figures.gauge import gauge_study

TRUE = {"repeatability": 1.0, "operator": 0.5, "interaction": 0.3, "gauge": 1.8, "part": 4.0}


def drawn(rng, parts=10, operators=3, trials=3):
    part, operator, both = (
        TRUE[name] ** 0.5 * rng.normal(size=shape)
        for name, shape in (
            ("part", (parts, 1, 1)),
            ("operator", (1, operators, 1)),
            ("interaction", (parts, operators, 1)),
        )
    )
    return part + operator + both + rng.normal(size=(parts, operators, trials))


def test_intervals_hold_the_truth_19_times_in_20():
    rng = np.random.default_rng(7)
    held = dict.fromkeys(TRUE, 0)
    for _ in range(500):
        study = gauge_study(drawn(rng))
        for name, value in TRUE.items():
            one = study.component(name)
            held[name] += one.low <= value <= one.high
    # 500 draws: the standard deviation of a share of 0.95 is 0.0097.
    assert all(count / 500 > 0.92 for count in held.values()), held


def test_estimates_are_right_in_the_mean():
    rng = np.random.default_rng(8)
    studies = [gauge_study(drawn(rng, parts=20, operators=6)) for _ in range(200)]
    for name, value in TRUE.items():
        mean = np.mean([study.component(name).variance for study in studies])
        assert mean == pytest.approx(value, rel=0.15), name


def test_no_component_is_below_zero():
    study = gauge_study(np.random.default_rng(3).normal(size=(5, 2, 3)))
    assert all(0 <= one.low <= one.variance <= one.high for one in study.components)


@pytest.mark.parametrize("shape", [(5, 1, 3), (1, 2, 3), (5, 2, 1), (5, 2)])
def test_too_few_of_anything(shape):
    with pytest.raises(ValueError, match="two of each"):
        gauge_study(np.zeros(shape))
