from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom

from tapscan.screening import baselines, fitting
from tapscan.screening.baselines import (
    READINGS_PER_TERM,
    Baseline,
    Terms,
    difference_terms,
    distances,
    fit_baseline,
    refit,
    surface_terms,
)
from tapscan.screening.calls import NullLaw, fit_null_law, limit_distance, p_values
from tapscan.screening.fitting import fit_in_turn

STATIONS, POSITIONS, FEATURES = 24, 12, 5
POINTS = STATIONS * POSITIONS
TERMS = surface_terms(STATIONS, POSITIONS, closed=True, readings=POINTS)
NO_REFERENCE = np.zeros(POINTS, dtype=bool)
NO_NOISE = np.zeros((POINTS, FEATURES))


def good_readings(seed: int, degrees: float = np.inf) -> np.ndarray:
    """Readings of a sound tube: a level for each station, a slow wave round, and scatter."""
    rng = np.random.default_rng([seed, 5])
    level = 3 * rng.standard_normal((STATIONS, 1, FEATURES))
    turn = 2 * np.pi * np.arange(POSITIONS) / POSITIONS
    wave = 2 * np.cos(turn[:, None] + rng.uniform(0, 6, FEATURES))
    scatter = rng.standard_normal((STATIONS, POSITIONS, FEATURES)) @ (np.eye(FEATURES) + 0.3)
    if np.isfinite(degrees):
        scatter /= np.sqrt(rng.chisquare(degrees, (STATIONS, POSITIONS, 1)) / degrees)
    return (level + wave + scatter).reshape(POINTS, FEATURES)


def settled(
    features: np.ndarray, terms: Terms = TERMS, reference: np.ndarray = NO_REFERENCE
) -> tuple[Baseline, np.ndarray, NullLaw]:
    """Fit and refit as the screening of taps does; baseline, distances and their law."""
    fitted = fit_in_turn(features, terms, reference, np.zeros_like(features))
    return fitted.baseline, fitted.distance, fitted.law


def rolled(values: np.ndarray, by: int) -> np.ndarray:
    return np.roll(values.reshape(STATIONS, POSITIONS, -1), by, axis=1).reshape(values.shape)


def scattered(seed: int, share: float) -> np.ndarray:
    """Mark some points, no more than half of any station's."""
    rng = np.random.default_rng(seed)
    marked = np.zeros((STATIONS, POSITIONS), dtype=bool)
    while marked.sum() < share * POINTS:
        station, position = rng.integers(STATIONS), rng.integers(POSITIONS)
        if marked[station].sum() < POSITIONS // 2:
            marked[station, position] = True
    return marked.ravel()


@pytest.mark.parametrize("by", [1, 5, 11])
def test_a_turn_of_the_datum_turns_the_distances_and_nothing_else(by):
    features = good_readings(1)
    features[scattered(1, 0.1)] += 6
    features[[3, 40, 41]] = np.nan
    plain = fit_baseline(features, TERMS, NO_REFERENCE, NO_NOISE)
    turned = fit_baseline(rolled(features, by), TERMS, NO_REFERENCE, NO_NOISE)
    assert (turned.kept == rolled(plain.kept, by)).all()
    np.testing.assert_allclose(turned.expected, rolled(plain.expected, by), atol=1e-8)
    there = distances(rolled(features, by), turned)
    np.testing.assert_allclose(there, rolled(distances(features, plain), by), rtol=1e-7)


def test_neither_unit_nor_zero_of_the_features_matters():
    features = good_readings(2)
    expected = distances(features, fit_baseline(features, TERMS, NO_REFERENCE, NO_NOISE))
    other = features * np.geomspace(1e-3, 1e3, FEATURES) - 40
    np.testing.assert_allclose(
        distances(other, fit_baseline(other, TERMS, NO_REFERENCE, NO_NOISE)), expected, rtol=1e-5
    )


def test_the_baseline_follows_levels_and_waves():
    """A mode along the axis, the edge of an insert, slow waves round: all of it is the model's own.

    The bridge between stations asks a little smoothness of the levels, which shows beside the edge.
    """
    turn = 2 * np.pi * np.arange(POSITIONS) / POSITIONS
    edge = np.arange(STATIONS) >= 10
    level = np.cos(np.arange(STATIONS) / 3) + 2 * edge
    features = (level[:, None] + np.cos(turn) + 0.5 * np.sin(2 * turn)).reshape(POINTS, 1)
    scatter = 0.001 * np.random.default_rng(1).standard_normal((POINTS, 1))
    noise, everything = np.zeros((POINTS, 1)), np.ones(POINTS, dtype=bool)
    trimmed = fit_baseline(features + scatter, TERMS, NO_REFERENCE, noise)
    fit = refit(features + scatter, trimmed.terms, everything, noise)
    missed = np.abs(fit.expected - features).reshape(STATIONS, POSITIONS).max(axis=1)
    assert missed[8:12].max() < 0.08 * 2
    assert np.delete(missed, np.s_[8:12]).max() < 0.01


@pytest.mark.parametrize("seed", range(4))
def test_a_third_of_damage_leaves_the_rest_clear(seed):
    features, damaged = good_readings(seed), scattered(seed, 1 / 3)
    rng = np.random.default_rng(seed)
    # Duller or ringing: every damaged point its own way.
    features[damaged] += rng.choice([-1, 1], (damaged.sum(), FEATURES)) * rng.uniform(8, 16, FEATURES)
    baseline, distance, law = settled(features)
    p = p_values(distance, law)
    assert not baseline.kept[damaged].any()
    assert (p[damaged] < 1e-3).all()
    good = int((~damaged).sum())
    assert (p[~damaged] < 0.01).sum() <= binom.isf(1e-3, good, 2 * 0.01)  # a factor of two, and chance


def half_heard(seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Three patches over a quarter of a tube, of which a third hardly sounds; and where they are."""
    rng = np.random.default_rng([seed, 6])
    x, s = np.indices((STATIONS, POSITIONS))
    in_patch = np.zeros((STATIONS, POSITIONS), dtype=bool)
    for centre in (4, 12, 20):
        round_it = (s - rng.integers(POSITIONS) + POSITIONS / 2) % POSITIONS - POSITIONS / 2
        in_patch |= (np.abs(x - centre) <= 2) & (np.abs(round_it) <= 2)
    damaged, features = in_patch.ravel(), good_readings(seed)
    own_way = rng.choice([-1, 1], (damaged.sum(), FEATURES)) * rng.uniform(8, 16, FEATURES)
    features[damaged] += own_way * np.where(rng.random(damaged.sum()) < 1 / 3, 0.2, 1.0)[:, None]
    return features, damaged


def test_damage_that_hardly_sounds_is_left_out_with_its_patch():
    kept, called, false = [], [], []
    for seed in range(8):
        features, damaged = half_heard(seed)
        baseline, distance, law = settled(features)
        far = p_values(distance, law) < 0.01
        kept.append(baseline.kept[damaged].mean())
        called.append(far[damaged].mean())
        false.append(far[~damaged].sum())
    assert np.mean(kept) < 0.05  # a sixth, where neighbours are not asked
    assert np.mean(called) > 0.75
    good = 8 * int((~damaged).sum())
    assert binom.ppf(1e-3, good, 0.01 / 2) <= sum(false) <= binom.isf(1e-3, good, 2 * 0.01)


def odd_points(seed: int, where: np.ndarray, size: float) -> np.ndarray:
    """Readings of which some are off, each its own way."""
    features = good_readings(seed)
    signs = np.random.default_rng([seed, 9]).choice([-1, 1], (where.sum(), FEATURES))
    features[where.ravel()] += size * signs
    return features


def called(seed: int, where: np.ndarray, size: float, reference: np.ndarray = NO_REFERENCE) -> np.ndarray:
    _, distance, law = settled(odd_points(seed, where, size), reference=reference)
    return (p_values(distance, law) < 0.01).reshape(STATIONS, POSITIONS)


def cells(stations: slice, positions: slice | list[int]) -> np.ndarray:
    where = np.zeros((STATIONS, POSITIONS), dtype=bool)
    where[stations, positions] = True
    return where


@pytest.mark.parametrize("positions", [[0, 4, 8], [2, 3, 4], [2, 3, 4, 5]])
def test_stripes_that_leave_little_away_from_damage_leave_enough_to_go_by(positions):
    """What the rest cannot tell has to tell for itself, or a wave in the gap would go with the damage."""
    where = cells(np.s_[:], positions)
    told = np.array([called(seed, where, 9.0) for seed in range(4)])
    assert told[:, where].mean() > 0.95
    assert told[:, ~where].mean() < 0.02


def test_half_a_tube_is_told_from_the_half_that_is_marked_as_good():
    where = cells(np.s_[:], np.s_[:6])
    told = np.array([called(seed, where, 8.0, ~where.ravel()) for seed in range(4)])
    assert told[:, where].mean() > 0.75
    assert told[:, ~where].mean() < 0.02


@pytest.mark.parametrize("width", [1, 2, 3])
@pytest.mark.parametrize("station", [0, 1])
def test_damage_one_station_deep_at_an_end_is_no_noise_of_that_end(station, width):
    where = cells(np.s_[station : station + 1], np.s_[3 : 3 + width])
    told = np.array([called(seed, where, 12.0) for seed in range(6)])
    assert told[:, where].mean() > 0.95


def test_of_little_left_out_all_readings_tell_the_law():
    """Crests that a mode leaves are out in patches, too: away from them the law would not know them."""
    distance = np.linalg.norm(np.random.default_rng(8).standard_normal((POINTS, FEATURES)), axis=1)
    size = {"crest": 20, "damage": 60}
    laws = {}
    for name, count in size.items():
        left_out = np.zeros(POINTS, dtype=bool)
        left_out[:count] = True
        law = fitting._law(distance, replace(settled(good_readings(8))[0], kept=~left_out))
        laws[name] = limit_distance(law, 0.01)
    everything = limit_distance(fit_null_law(distance), 0.01)
    assert laws["crest"] == everything
    assert laws["damage"] != everything


def test_without_levels_of_their_own_whole_stations_left_out_are_no_patch():
    left_out = cells(np.s_[4:7], np.s_[:]).ravel()
    read = np.ones(POINTS, dtype=bool)
    assert fitting._has_patches(left_out, read, TERMS)
    assert not fitting._has_patches(left_out, read, difference_terms(STATIONS, POSITIONS, closed=True))
    few = cells(np.s_[2:8], np.s_[:]).ravel()  # 72 readings
    assert not fitting._has_patches(left_out & few, few, TERMS)


def test_marked_points_are_always_kept_also_across_the_seam():
    features = good_readings(3)
    reference = np.zeros((STATIONS, POSITIONS), dtype=bool)
    reference[4:8, [10, 11, 0, 1]] = True
    odd = np.zeros_like(reference)
    odd[4:8, [11, 0]] = True  # what would have been left out
    features[odd.ravel()] += 10
    unmarked = fit_baseline(features, TERMS, NO_REFERENCE, NO_NOISE)
    marked = fit_baseline(features, TERMS, reference.ravel(), NO_NOISE)
    assert not unmarked.kept[odd.ravel()].any()
    assert marked.kept[reference.ravel()].all()


def test_an_unread_reference_is_not_kept():
    features = good_readings(3)
    features[0] = np.nan
    fit = fit_baseline(features, TERMS, np.ones(POINTS, dtype=bool), NO_NOISE)
    assert not fit.kept[0]
    assert fit.kept[1:].all()


def test_every_station_keeps_its_better_half():
    """A stiff end sounds unlike all the rest, and the same all round: that is no damage."""
    features = good_readings(4).reshape(STATIONS, POSITIONS, FEATURES)
    features[:2] += 30
    _, distance, law = settled(features.reshape(POINTS, FEATURES))
    ends = p_values(distance, law)[: 2 * POSITIONS]
    assert (ends < 0.01).sum() <= binom.isf(1e-3, ends.size, 2 * 0.01)


def test_a_station_without_any_reading_is_bridged():
    features = np.repeat(np.linspace(0, 23, STATIONS), POSITIONS)[:, None] + 0.01 * good_readings(5)[:, :1]
    gap = slice(9 * POSITIONS, 10 * POSITIONS)
    features[gap] = np.nan
    fit = fit_baseline(features, TERMS, NO_REFERENCE, np.zeros_like(features))
    assert fit.expected[gap, 0].mean() == pytest.approx(9.0, abs=0.3)
    distance = distances(features, fit)
    assert np.isnan(distance[gap]).all()
    assert np.isfinite(np.delete(distance, gap)).all()


def test_what_no_kept_reading_tells_of_is_left_out():
    """Half of the terms are mixtures of the other half: no fit can tell them apart, and none needs to."""
    rng = np.random.default_rng(1)
    columns = surface_terms(10, 12, closed=True, readings=120).columns
    mixed = columns @ rng.standard_normal((columns.shape[1],) * 2)
    once, twice = (
        Terms(both, np.zeros((both.shape[1],) * 2), (10, 12), closed=True)
        for both in (columns, np.column_stack([columns, mixed]))
    )
    features = rng.standard_normal((120, 2))
    kept = np.ones(120, dtype=bool)
    fits = [refit(features, terms, kept, np.zeros_like(features)) for terms in (once, twice)]
    assert np.allclose(fits[0].expected, fits[1].expected, atol=1e-9)
    assert np.allclose(fits[0].leverage, fits[1].leverage, atol=1e-9)


def test_a_reading_is_held_against_the_fit_without_it():
    """The deletion formula against the fit that was truly made without the reading."""
    features = good_readings(6)
    everything = np.ones(POINTS, dtype=bool)
    whole = refit(features, TERMS, everything, NO_NOISE)
    told = distances(features, whole)
    for point in (0, 17, 130, POINTS - 1):
        without = everything.copy()
        without[point] = False
        # Medians of the spread move a little as well: a few per cent.
        assert distances(features, refit(features, whole.terms, without, NO_NOISE))[point] == pytest.approx(
            told[point], rel=0.1
        )


def test_what_noise_explains_is_no_distance():
    """Twelve standard deviations off, and as many of noise: how far that is left depends on the draw."""
    noise = NO_NOISE.copy()
    noise[50, 2] = 12
    share = []
    for seed in range(7, 15):
        features = good_readings(seed)
        features[50, 2] += 12
        quiet, loud = (
            distances(features, fit_baseline(features, TERMS, NO_REFERENCE, some))[50]
            for some in (NO_NOISE, noise)
        )
        share.append(loud / quiet)
    assert np.median(share) < 0.4


def test_a_misplaced_hand_is_forgiven_along_the_part_only():
    """Where readings rise fast along the part, a hand that strays gives a rise, and nothing across."""
    features = good_readings(8)[:, :2] * 0.2
    features[:, 0] += 10 * np.repeat(np.arange(STATIONS), POSITIONS)
    at = 10 * POSITIONS + 3
    far = []
    for column in (0, 1):
        moved = features.copy()
        moved[at, column] += 3
        fit = fit_baseline(moved, TERMS, NO_REFERENCE, np.zeros_like(moved))
        far.append(distances(moved, fit)[at])
    assert far[0] < 0.5 * far[1]


def test_the_strike_can_be_told_from_the_part():
    features = good_readings(9)
    strike = np.random.default_rng(9).uniform(-0.6, 0.6, POINTS)
    struck = features + 20 * strike[:, None] * np.linspace(0.5, 1, FEATURES)
    terms = TERMS.beside(strike, POINTS)
    beside = fit_baseline(struck, terms, NO_REFERENCE, NO_NOISE)
    alone = fit_baseline(struck, TERMS, NO_REFERENCE, NO_NOISE)
    assert np.median(beside.spread) < 0.5 * np.median(alone.spread)
    slopes = terms.columns.shape[1] - TERMS.columns.shape[1]
    assert slopes in (1, STATIONS)


def test_no_readings_are_refused():
    with pytest.raises(ValueError, match="there are no readings to fit a baseline to"):
        fit_baseline(np.full((POINTS, FEATURES), np.nan), TERMS, NO_REFERENCE, NO_NOISE)


@settings(deadline=None, max_examples=60)
@given(st.integers(1, 30), st.integers(1, 16), st.booleans(), st.floats(0.1, 1))
def test_terms_are_never_more_than_the_readings_carry(stations, positions, closed, share):
    readings = max(1, round(share * stations * positions))
    terms = surface_terms(stations, positions, closed=closed, readings=readings)
    count = terms.columns.shape[1]
    assert terms.columns.shape == (stations * positions, count)
    assert terms.penalty.shape == (count, count)
    assert count == 1 or count * READINGS_PER_TERM <= readings
    assert np.linalg.matrix_rank(terms.columns) == count
    if closed:
        # A turn of the datum mixes the terms among themselves.
        turned = np.roll(terms.columns.reshape(stations, positions, count), 1, axis=1).reshape(-1, count)
        left = turned - terms.columns @ np.linalg.lstsq(terms.columns, turned, rcond=None)[0]
        assert np.abs(left).max() < 1e-9


@pytest.mark.parametrize("shape", [(1, 12), (12, 1), (2, 6), (3, 4)])
def test_grids_of_one_row_or_column(shape):
    rng = np.random.default_rng(1)
    features = rng.standard_normal((12, 2))
    terms = surface_terms(*shape, closed=False, readings=12)
    fit = fit_baseline(features, terms, np.zeros(12, dtype=bool), np.zeros((12, 2)))
    assert np.isfinite(distances(features, fit)).all()


def test_readings_that_are_all_the_same_are_no_distance_apart():
    features = np.ones((POINTS, 2))
    fit = fit_baseline(features, TERMS, NO_REFERENCE, np.zeros((POINTS, 2)))
    assert distances(features, fit).max() < 1


@pytest.mark.slow
@pytest.mark.parametrize("degrees", [np.inf, 5.0], ids=["normal", "Student-t"])
def test_the_false_call_rate_after_the_fit(degrees):
    """Fit, distances and law together, 20 sound tubes: a factor of two, and what chance adds."""
    p = []
    for seed in range(20):
        _, distance, law = settled(good_readings(seed, degrees))
        p.append(p_values(distance, law))
    for rate in (0.05, 0.01):
        calls = int((np.array(p) < rate).sum())
        low = binom.ppf(1e-3, 20 * POINTS, rate / 2)
        high = binom.isf(1e-3, 20 * POINTS, rate * 2)
        assert low <= calls <= high, f"{calls / 20 / POINTS:.4f} called of {rate}"


def test_a_few_readings_that_stray_at_an_end_tell_how_noisy_it_is():
    """Two of twelve half as far off again as the rest: the median of the station does not know of them."""
    size = np.full((STATIONS, POSITIONS), 2.0)
    size[0, [3, 7]] = size[10, [3, 7]] = 3.0
    kept = np.ones((STATIONS, POSITIONS), dtype=bool)
    strays = baselines._strays_at_ends(size.ravel(), TERMS, kept.ravel()).reshape(STATIONS, POSITIONS)
    assert (strays[0] == 1.5).all()
    assert (strays[[1, -2, -1]] == 1.0).all()
    assert not strays[2:-2].any()  # elsewhere few that stray are told from damage
    kept[0, [3, 7]] = False  # what is left out alone may well be noise
    assert (baselines._strays_at_ends(size.ravel(), TERMS, kept.ravel())[:POSITIONS] == 1.5).all()
    far = np.where(size == 3.0, 3.1, size)  # further out it is damage
    assert (baselines._strays_at_ends(far.ravel(), TERMS, kept.ravel())[:POSITIONS] == 1.0).all()
    kept[1, 2:9] = False  # what lies in a patch is damage, and makes none
    assert (baselines._strays_at_ends(size.ravel(), TERMS, kept.ravel())[:POSITIONS] == 1.0).all()
    size[0, 11], kept[0, 11] = np.nan, False  # what is unread is neither
    assert (baselines._strays_at_ends(size.ravel(), TERMS, kept.ravel())[:POSITIONS] == 1.0).all()
    kept[0, :7] = False  # and of five readings little can be said
    assert not baselines._strays_at_ends(size.ravel(), TERMS, kept.ravel())[:POSITIONS].any()


def test_what_strays_at_an_end_is_not_called_there_and_is_within():
    """Readings as an end has them, at a station of either kind."""
    far = {}
    for station in (0, 10):
        features = good_readings(31).reshape(STATIONS, POSITIONS, FEATURES)
        features[station, [2, 6, 9]] += 2.2
        _, distance, _ = settled(features.reshape(POINTS, FEATURES))
        far[station] = np.median(distance.reshape(STATIONS, POSITIONS)[station, [2, 6, 9]])
    assert far[0] < far[10]
