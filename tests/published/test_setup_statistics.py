"""Control chart, and repeatability and reproducibility, against worked examples to their printed digits."""

import numpy as np
import pytest

from tapscan.proving.figures.charts import individuals_chart
from tapscan.proving.figures.gauge import gauge_study

# NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.2, batch flow rates (from memory).
FLOW = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]

# The measurement systems analysis manual's example: ten parts, three appraisers, three trials (from memory).
FIRST = [
    [0.29, -0.56, 1.34, 0.47, -0.80, 0.02, 0.59, -0.31, 2.26, -1.36],
    [0.41, -0.68, 1.17, 0.50, -0.92, -0.11, 0.75, -0.20, 1.99, -1.25],
    [0.64, -0.58, 1.27, 0.64, -0.84, -0.21, 0.66, -0.17, 2.01, -1.31],
]
SECOND = [
    [0.08, -0.47, 1.19, 0.01, -0.56, -0.20, 0.47, -0.63, 1.80, -1.68],
    [0.25, -1.22, 0.94, 1.03, -1.20, 0.22, 0.55, 0.08, 2.12, -1.62],
    [0.07, -0.68, 1.34, 0.20, -1.28, 0.06, 0.83, -0.34, 2.19, -1.50],
]
THIRD = [
    [0.04, -1.38, 0.88, 0.14, -1.46, -0.29, 0.02, -0.46, 1.77, -1.49],
    [-0.11, -1.13, 1.09, 0.20, -1.07, -0.67, 0.01, -0.56, 1.45, -1.77],
    [-0.15, -0.96, 0.67, 0.11, -1.45, -0.49, 0.21, -0.49, 1.87, -2.16],
]
SCORES = np.array([FIRST, SECOND, THIRD]).transpose(2, 0, 1)


def test_the_handbook_s_chart_of_individuals():
    chart = individuals_chart(FLOW)
    assert [f"{v:.4f}" for v in (chart.low, chart.high, chart.moving_range)] == [
        "45.8159",
        "55.8041",
        "1.8778",
    ]
    assert f"{chart.centre:.2f}" == "50.81"
    assert not chart.beyond.any()


def test_the_manual_s_analysis_of_variance():
    part, operator, both, repeats, pooled = gauge_study(SCORES).table
    printed = {
        part: (9, "88.3619", "9.81799", "245.614"),
        operator: (2, "3.1673", "1.58363", "39.617"),
        both: (18, "0.3590", "0.01994", "0.434"),
        repeats: (60, "2.7589", "0.04598", "nan"),
        pooled: (78, "3.1179", "0.03997", "nan"),
    }
    for row, (freedoms, total, mean, ratio) in printed.items():
        got = row.freedoms, f"{row.sum_squares:.4f}", f"{row.mean_square:.5f}", f"{row.f_ratio:.3f}"
        assert got == (freedoms, total, mean, ratio)


def test_the_manual_s_components():
    study = gauge_study(SCORES)
    assert study.is_pooled
    names = ("repeatability", "operator", "interaction", "gauge", "part")
    spread = [f"{study.component(name).variance ** 0.5:.5f}" for name in names]
    assert spread == ["0.19993", "0.22684", "0.00000", "0.30237", "1.04233"]
    assert 100 * study.share("gauge") == pytest.approx(7.76, abs=0.01)
    assert 100 * study.share("part") == pytest.approx(92.24, abs=0.01)


def test_the_table_is_that_of_statsmodels():
    pandas = pytest.importorskip("pandas")
    from statsmodels.formula.api import ols
    from statsmodels.stats.anova import anova_lm

    scores = np.random.default_rng(4).normal(size=(6, 3, 4)) + np.arange(6)[:, None, None]
    part, operator, _ = np.indices(scores.shape)
    frame = pandas.DataFrame({"y": scores.ravel(), "part": part.ravel(), "person": operator.ravel()})
    table = anova_lm(ols("y ~ C(part) * C(person)", frame).fit())
    study = gauge_study(scores)
    for row, name in zip(study.table, table.index, strict=False):
        assert row.sum_squares == pytest.approx(table.loc[name, "sum_sq"], rel=1e-9)
        assert row.freedoms == table.loc[name, "df"]
