"""From log odds to calls: the rate that is requested, whatever the law of sound points."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import csr_array, eye_array
from scipy.special import expit

from tapscan.plan.nearness import nearness
from tapscan.screening.taps.calls import TAIL_SHARE, p_values, score_of
from tests.screening.taps.made_up import POSITIONS, STATIONS, ZONE

COUNT = 20_000


def alone(count: int) -> csr_array:
    return eye_array(count).tocsr()


def called(log_odds: np.ndarray, reference: np.ndarray | None = None) -> np.ndarray:
    reference = np.zeros(log_odds.shape, dtype=bool) if reference is None else reference
    return p_values(log_odds, expit(log_odds), alone(log_odds.size), reference)


LAWS = {
    "exponential tail": lambda rng, n: -9 + rng.exponential(1.0, n),
    "logistic": lambda rng, n: -8 + 0.8 * rng.logistic(size=n),
    "mean of nine distances": lambda rng, n: -20 + np.log(rng.chisquare(22, (n, 9))).mean(axis=1) * 4,
    "gamma": lambda rng, n: -9 + rng.gamma(4.0, 0.5, n),
}


@pytest.mark.parametrize("rate", [0.05, 0.01])
@pytest.mark.parametrize("law", LAWS)
def test_sound_points_are_called_at_the_requested_rate(law, rate):
    """Within a factor of 1.5; at 0.01 of 2 for the light tails of means, which get fewer calls."""
    p = called(LAWS[law](np.random.default_rng(1), COUNT))
    factor = 1.5 if rate == 0.05 or law in ("exponential tail", "logistic", "gamma") else 2.0
    assert rate / factor < (p < rate).mean() < rate * factor


@pytest.mark.parametrize("law", LAWS)
def test_p_values_of_sound_points_are_uniform_below_the_tail(law):
    p = called(LAWS[law](np.random.default_rng(2), COUNT))
    for share in np.arange(TAIL_SHARE, 1, 0.1):
        assert (p < share).mean() == pytest.approx(share, abs=0.005)


def test_damage_among_sound_points_does_not_lower_their_rate():
    """A tenth of damage, as a plain share of all readings, would leave half as many calls and fewer."""
    rng = np.random.default_rng(3)
    log_odds = LAWS["exponential tail"](rng, COUNT)
    log_odds[:2000] = rng.normal(4, 1, 2000)
    p = called(log_odds)
    for rate in (0.05, 0.01):
        assert rate / 1.5 < (p[2000:] < rate).mean() < 1.5 * rate
    assert (p[:2000] < 1e-3).mean() > 0.99


@settings(deadline=None, max_examples=60)
@given(st.integers(0, 2**32 - 1), st.integers(2, 300))
def test_more_odds_are_never_less_rare(seed, count):
    rng = np.random.default_rng(seed)
    log_odds = rng.normal(-4, 3, count).round(int(rng.integers(0, 3)))
    p = called(log_odds)
    order = np.argsort(log_odds, kind="stable")
    different = np.diff(log_odds[order]) > 0
    assert (np.diff(p[order])[different] <= 1e-9).all()
    assert ((p >= 0) & (p <= 1)).all()


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 2**32 - 1), st.integers(1, POSITIONS - 1))
def test_a_turn_of_the_datum_turns_the_p_values(seed, by):
    near = nearness(ZONE, 10.0)
    log_odds = np.random.default_rng(seed).normal(-4, 3, ZONE.grid_shape)
    none = np.zeros(log_odds.size, dtype=bool)
    plain, there = (
        p_values(each.ravel(), expit(each.ravel()), near, none).reshape(STATIONS, POSITIONS)
        for each in (log_odds, np.roll(log_odds, by, axis=1))
    )
    np.testing.assert_allclose(there, np.roll(plain, by, axis=1), rtol=1e-9, atol=1e-12)


def test_unread_points_have_none_and_change_none():
    log_odds = np.random.default_rng(4).normal(-6, 2, 200)
    holed = np.insert(log_odds, 50, [np.nan] * 10)
    p = called(holed)
    assert np.isnan(p[50:60]).all()
    np.testing.assert_allclose(np.delete(p, np.s_[50:60]), called(log_odds), rtol=1e-12)


def test_nothing_read_is_nothing_known():
    assert np.isnan(called(np.full(5, np.nan))).all()


def test_points_marked_as_sound_count_in_full():
    """A zone whose references read high: high readings are then no longer rare."""
    log_odds = LAWS["exponential tail"](np.random.default_rng(5), 400)
    log_odds[:40] += 8
    marked = np.arange(400) < 40
    plain, counted = called(log_odds), called(log_odds, marked)
    assert counted[:40].min() > plain[:40].min()
    assert np.median(counted[:40]) > 2 * np.median(plain[:40])


def test_what_is_beside_damage_counts_as_little_as_damage():
    near = nearness(ZONE, 10.0)
    log_odds = LAWS["exponential tail"](np.random.default_rng(6), STATIONS * POSITIONS)
    log_odds = log_odds.reshape(ZONE.grid_shape)
    log_odds[4:9, 3:8] = -3.0  # the rim: higher than any sound point, less likely damaged than not
    core = log_odds.copy()
    core[5:8, 4:7] = 6.0
    none = np.zeros(log_odds.size, dtype=bool)
    rim = np.zeros(ZONE.grid_shape, dtype=bool)
    rim[4:9, 3:8] = True
    rim[5:8, 4:7] = False
    with_core, without = (
        p_values(each.ravel(), expit(each.ravel()), near, none).reshape(ZONE.grid_shape)[rim]
        for each in (core, log_odds)
    )
    assert np.median(with_core) < 0.5 * np.median(without)


@settings(deadline=None, max_examples=60)
@given(st.floats(1e-12, 1), st.floats(1e-6, 1 - 1e-6), st.sampled_from([0.001, 0.01, 0.05]))
def test_the_score_is_the_larger_of_two_scales(p_value, probability, rate):
    score = float(score_of(np.array([p_value]), np.array([probability]), rate)[0])
    expected = max(np.log(p_value) / np.log(rate), 1 + np.log10(probability / (1 - probability)))
    assert score == pytest.approx(expected, rel=1e-9, abs=1e-9)
    if abs(score - 1) > 1e-9:
        assert (score >= 1) == (p_value <= rate or probability >= 0.5)


def test_scores_of_nothing_and_of_certainty_are_numbers():
    score = score_of(np.array([0.0, 1.0, np.nan]), np.array([1.0, 0.0, np.nan]), 0.01)
    assert np.isfinite(score[:2]).all()
    assert np.isnan(score[2])
