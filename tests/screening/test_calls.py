import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom, chi2

from tapscan.screening.calls import (
    MIN_READINGS,
    NullLaw,
    agreeing,
    chance_count,
    fit_null_law,
    limit_distance,
    p_values,
)
from tapscan.screening.indications import label_areas

SEEDS = range(24)
POINTS, FEATURES = 480, 6
# How far the delivered rate may lie from the one asked for.
FACTOR = 2.0


def drawn_distances(seed: int, degrees: float = np.inf) -> np.ndarray:
    """Lengths of uncorrelated feature vectors, normal or Student-t."""
    rng = np.random.default_rng([seed, 71])
    features = rng.standard_normal((POINTS, FEATURES))
    if np.isfinite(degrees):
        features /= np.sqrt(rng.chisquare(degrees, (POINTS, 1)) / degrees)
    return np.linalg.norm(features, axis=1)


def bounds(rate: float, points: int, factor: float = FACTOR) -> tuple[float, float]:
    """Counts that a true rate within `factor` of `rate` leaves in 1 run of 1000 on either side."""
    return binom.ppf(1e-3, points, rate / factor), binom.isf(1e-3, points, rate * factor)


def hold(p_of_good: np.ndarray, rate: float) -> None:
    calls = int((p_of_good < rate).sum())
    low, high = bounds(rate, p_of_good.size)
    assert low <= calls <= high, f"{calls / p_of_good.size:.4f} of good points called, {rate} asked for"


@pytest.mark.parametrize("degrees", [np.inf, 5.0], ids=["normal", "Student-t"])
def test_the_rate_asked_for_is_the_one_delivered(degrees):
    drawn = [drawn_distances(seed, degrees) for seed in SEEDS]
    p = np.array([p_values(distance, fit_null_law(distance)) for distance in drawn])
    for rate in (0.05, 0.01):
        hold(p, rate)


def test_a_third_of_damage_leaves_the_law_of_the_rest():
    damaged, p_of_good = round(0.3 * POINTS), []
    for seed in SEEDS:
        distance = drawn_distances(seed)
        distance[:damaged] += np.random.default_rng(seed).uniform(6, 12, damaged)
        p = p_values(distance, fit_null_law(distance))
        assert (p[:damaged] < 0.01).all()
        p_of_good.append(p[damaged:])
    for rate in (0.05, 0.01):
        hold(np.array(p_of_good), rate)


def test_the_fitted_law_is_that_of_the_draws():
    """Against the chi-squared law itself, at the points where tables give it."""
    draws = np.sqrt(np.random.default_rng(3).chisquare(6, 20_000))
    law = fit_null_law(draws)
    for rate in (0.5, 0.1, 0.01):
        # Three standard errors of a quantile of that many draws.
        exact = chi2.isf(rate, 6)
        tolerance = 3 * np.sqrt(rate * (1 - rate) / 10_000) / chi2.pdf(exact, 6)
        assert limit_distance(law, rate) ** 2 == pytest.approx(exact, abs=tolerance)


@given(st.floats(0.3, 50), st.floats(1e-6, 1e6), st.floats(2, 1e4), st.floats(1e-6, 0.9))
def test_limit_and_p_value_undo_each_other(shape, scale, tail, rate):
    law = NullLaw((shape,), (scale,), (tail,), (1.0,))
    assert p_values(np.array([limit_distance(law, rate)]), law)[0] == pytest.approx(rate, rel=1e-6)


def test_p_values_fall_with_distance_and_keep_the_unread():
    law = NullLaw((3.0, 2.0), (2.0, 3.0), (50.0, 4.0), (0.9, 0.1))
    p = p_values(np.array([0.0, 1.0, 2.0, 5.0, 50.0, np.nan, 1e6]), law)
    assert p[0] == 1
    assert (np.diff(p[:5]) < 0).all()
    assert np.isnan(p[5])
    assert 0 <= p[6] < 1e-30


@settings(max_examples=10, deadline=None)
@given(st.floats(1e-6, 1e6))
def test_the_unit_of_the_distances_does_not_matter(unit):
    distance = drawn_distances(1)
    expected = p_values(distance, fit_null_law(distance))
    np.testing.assert_allclose(p_values(distance * unit, fit_null_law(distance * unit)), expected, rtol=2e-2)


def test_neither_order_nor_unread_points_matter():
    distance = drawn_distances(2)
    expected = fit_null_law(distance)
    mixed = np.insert(np.random.default_rng(0).permutation(distance), [0, 7, 200], np.nan)
    assert fit_null_law(mixed) == expected


def test_too_few_readings_are_refused():
    distance = np.full(40, np.nan)
    distance[: MIN_READINGS - 1] = 1.0
    with pytest.raises(
        ValueError, match=f"{MIN_READINGS - 1} readings are too few to know how good readings spread"
    ):
        fit_null_law(distance)


@pytest.mark.parametrize(
    "distance",
    [np.ones(20), np.zeros(20), np.r_[np.zeros(19), 1.0], np.r_[np.ones(19), 1e9], np.arange(12.0)],
    ids=["equal", "nought", "nought but one", "equal but one", "fewest"],
)
def test_odd_distances_still_give_p_values(distance):
    p = p_values(distance, fit_null_law(distance))
    assert ((p >= 0) & (p <= 1)).all()


@pytest.mark.parametrize("count", [480, 1000, 10_000])
@pytest.mark.parametrize(
    "drawn",
    [
        lambda rng, count: 1 + 0.01 * rng.standard_normal(count),
        lambda rng, count: 1 + 0.05 * rng.standard_normal(count),
        lambda rng, count: np.abs(rng.choice([-1, 1], count) + 0.03 * rng.standard_normal(count)),
        lambda rng, count: np.sqrt(rng.beta(5, 0.3, count)),
    ],
)
def test_narrow_laws_have_limits_too(drawn, count):
    """The heaviest tail may weigh nothing at all, and its limit lie where no other tail reaches."""
    distance = drawn(np.random.default_rng(1), count)
    law = fit_null_law(distance)
    for rate in (1e-6, 0.001, 0.01, 0.05):
        limit = limit_distance(law, rate)
        assert p_values(np.array([limit]), law)[0] == pytest.approx(rate, rel=1e-6)


def test_readings_to_rely_on_are_fewer_where_many_lie_far_out():
    law = fit_null_law(np.sqrt(np.random.default_rng(1).chisquare(4, size=2000)))
    much = np.array([limit_distance(law, p) for p in (0.5, 0.01, 0.7, 0.2, 0.9, 0.4, 0.001)] + [np.nan])
    little = np.concatenate([much, np.full(8, limit_distance(law, 0.5))])
    assert agreeing(much, law).tolist() == [True, False, True, True, True, True, False, False]
    assert agreeing(little, law).tolist()[:8] == [True, True, True, True, True, True, False, False]
    assert not agreeing(np.full(3, np.nan), law).any()


def test_one_far_point_among_equals_is_rare():
    distance = np.r_[drawn_distances(5)[:60], 40.0]
    assert p_values(distance, fit_null_law(distance))[-1] < 1e-4


def test_more_readings_than_needed_are_thinned_and_change_little():
    draws = np.sqrt(np.random.default_rng(4).chisquare(5, 60_000))
    for rate in (0.1, 0.01):
        thinned = limit_distance(fit_null_law(draws), rate)
        assert thinned == pytest.approx(chi2.isf(rate, 5) ** 0.5, rel=0.02)


# A torus of good points: every area in it is there by chance.
GRID, TURNS = (40, 12), 400


@pytest.fixture(scope="module", params=[0.01, 0.05])
def by_chance(request):
    """Areas of scattered suspect points: (rate, [(members, chance count)] of all turns)."""
    rate = request.param
    rng = np.random.default_rng(17)
    found = []
    for _ in range(TURNS):
        p = rng.random(GRID)
        areas = [p[area.members] for area in label_areas(p < rate, closed=True)]
        found += [(members.size, chance_count(members, p.size, rate)) for members in areas]
    return rate, found


@pytest.mark.parametrize("size", [1, 2, 3, 4])
def test_areas_of_a_size_are_as_many_as_counted(by_chance, size):
    """Against a Monte Carlo. With every p-value just suspect the chance count is that of all areas of a size.

    It counts each way for points to touch, also those within a larger area: it may say too many, up to
    threefold at a rate of 0.05, never too few.
    """
    rate, found = by_chance
    counted = sum(members == size for members, _ in found)
    told = TURNS * chance_count(np.full(size, rate), GRID[0] * GRID[1], rate)
    assert counted <= told + 4 * np.sqrt(told) + 3
    if told > 50:
        assert counted >= told / 3


@pytest.mark.parametrize("count", [1.0, 0.1, 0.01])
def test_areas_that_rare_are_that_rare(by_chance, count):
    """Per zone, `count` areas of each size should be rarer than `count`; five sizes at most occur here."""
    _, found = by_chance
    seen = sum(told < count for _, told in found)
    expected = TURNS * count
    assert expected / 3 - 4 * np.sqrt(expected) <= seen <= 5 * expected + 4 * np.sqrt(5 * expected)


def test_a_larger_or_stronger_area_is_rarer():
    few, many = np.full(2, 0.004), np.full(3, 0.004)
    assert chance_count(many, 480, 0.01) < chance_count(few, 480, 0.01)
    assert chance_count(few / 10, 480, 0.01) < chance_count(few, 480, 0.01)
    assert chance_count(few, 960, 0.01) == pytest.approx(2 * chance_count(few, 480, 0.01))


def test_areas_of_any_size_have_a_count():
    assert chance_count(np.zeros(1), 480, 0.01) == pytest.approx(0, abs=1e-200)
    assert np.isfinite(chance_count(np.full(5000, 0.9), 10**6, 0.95))
    assert chance_count(np.full(5, 0.01), 480, 0.01) == pytest.approx(480 * 638 * 0.01**5)
    assert chance_count(np.full(7, 0.01), 480, 0.01) == pytest.approx(480 * 638 * 36 * 0.01**7)
    assert chance_count(np.full(400, 1e-3), 480, 0.01) < 1e-200


def test_a_short_look_never_takes_the_law_for_a_boundless_one():
    # What lies below the middle of a half-normal sample may rise by chance like a law without end; then
    # nothing would ever be called.
    for seed in range(40):
        draws = np.abs(np.random.default_rng(seed).normal(size=60))
        assert 2.0 < limit_distance(fit_null_law(0.007 * draws), 0.01) / 0.007 < 5.0  # 2.58 by the normal law
