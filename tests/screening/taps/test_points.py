"""From taps to points: means, weights, the strike's slope and the variance that the room gives."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapscan.screening.taps.points import N_BANDS, RINGING_BANDS, ROOM_UNSTEADY, TapTable, point_means
from tapscan.signals.taps.bands import BAND_EDGES_HZ, RINGING_S, STRIKE_S, band_energy, band_freedoms
from tests.screening.taps.made_up import readings

TILT = np.linspace(-0.2, 0.2, N_BANDS)


def table(level_db: np.ndarray, at: np.ndarray, late: float = 0.3) -> TapTable:
    """Taps with these levels in dB (taps, bands) and no noise to speak of."""
    whole = 10 ** (level_db / 10)
    return TapTable(at, whole * (1 - late), whole * late, np.full_like(whole, 1e-12))


def struck(
    seed: int, points: int, taps: int, *, spread_db: float = 6.0
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Levels in dB, points and strength of strikes that get brighter by `TILT` dB a band per dB."""
    rng = np.random.default_rng(seed)
    at = np.repeat(np.arange(points), taps)
    hand = rng.uniform(-spread_db, spread_db, at.size)
    own = rng.normal(0, 2, (points, N_BANDS))[at]
    scatter = rng.normal(0, 0.2, (at.size, N_BANDS))
    return -30 + own + scatter + hand[:, None] * (1 + TILT), at, hand


def test_the_slope_of_a_harder_strike_comes_from_within_points():
    """One dB harder raises band k by 1 + t_k dB, and so the total by 1 + their mean weighted by energy."""
    level_db, at, _ = struck(1, 3000, 4, spread_db=1.5)
    points = point_means(table(level_db, at), 3000)
    weight = (10 ** (level_db / 10)).mean(axis=0)
    whole = 1 + np.average(TILT, weights=weight)
    np.testing.assert_allclose(points.strike_slope[:N_BANDS], (1 + TILT) / whole - 1, atol=0.012)
    np.testing.assert_allclose(points.strike_slope[N_BANDS:], 0, atol=1e-6)


def test_loud_damage_does_not_get_into_the_slope():
    level_db, at, _ = struck(2, 200, 4)
    plain = point_means(table(level_db, at), 200).strike_slope
    damage = (at < 60)[:, None] * (6 + 4 * np.cos(np.arange(N_BANDS)))
    bad = point_means(table(level_db + damage, at), 200).strike_slope
    np.testing.assert_allclose(bad, plain, atol=0.03)


def test_how_hard_points_were_struck_does_not_matter():
    """Two visits with other hands: what is left is what the tapped points are."""
    rng = np.random.default_rng(3)
    level_db, at, _ = struck(3, 150, 4)
    hand = rng.uniform(-5, 5, 150)[at][:, None] * (1 + TILT)
    one, other = (point_means(table(levels, at), 150).sound_db for levels in (level_db, level_db + hand))
    assert (other - one)[:, :N_BANDS].std(axis=0).max() < 0.3  # 5 dB · 0.2 would be 0.6 and more uncorrected
    plain = level_db - 10 * np.log10((10 ** (level_db / 10)).sum(axis=1))[:, None]
    tilted = level_db + hand - 10 * np.log10((10 ** ((level_db + hand) / 10)).sum(axis=1))[:, None]
    moved = np.array([(tilted - plain)[at == k].mean(axis=0) for k in range(150)])
    assert (other - one)[:, 0].std() < 0.4 * moved[:, 0].std()


def test_a_bad_tap_among_five_weighs_little():
    level_db, at, _ = struck(4, 100, 5, spread_db=0.5)
    good = point_means(table(level_db, at), 100).sound_db
    spoilt = level_db.copy()
    spoilt[252, ::2] += 15.0  # the third tap at point 50
    bad = point_means(table(spoilt, at), 100).sound_db
    own = table(spoilt, at).strike[250:255]
    plain_db = 10 * np.log10(own / own.sum(axis=1)[:, None]).mean(axis=0)
    sound = table(level_db, at).strike[250:255]
    mean_db = 10 * np.log10(sound / sound.sum(axis=1)[:, None]).mean(axis=0)
    assert np.abs(bad - good)[50, :N_BANDS].max() < 0.2 * np.abs(plain_db - mean_db).max()
    assert np.abs(bad - good)[np.arange(100) != 50].max() < 0.1


def test_one_tap_is_kept_as_it_is_and_five_count_as_five():
    level_db, at, _ = struck(5, 60, 5, spread_db=0.5)
    points = point_means(table(level_db, at), 60)
    assert points.taps.max() <= 5 + 1e-9
    assert np.median(points.taps) > 4.5
    single = np.concatenate([[0], np.flatnonzero(at > 0)])
    alone = point_means(table(level_db[single], at[single]), 60)
    assert alone.taps[0] == 1
    room = np.full_like(level_db, 1e-3)
    noisy = point_means(replace(table(level_db, at), room=room), 60)
    one = point_means(replace(table(level_db[single], at[single]), room=room[single]), 60)
    ratio = one.noise_db2[0, :N_BANDS] / noisy.noise_db2[0, :N_BANDS]
    assert 3 < np.median(ratio) < 7


def test_single_taps_all_over_have_no_slope_and_no_repeatability():
    level_db, at, _ = struck(6, 80, 1)
    points = point_means(table(level_db, at), 80)
    assert (points.strike_slope == 0).all()
    assert (points.taps == 1).all()
    assert np.isnan(points.repeat_db2).all()
    assert np.isfinite(points.sound_db).all()


def test_repeatability_is_the_variance_of_single_taps_about_their_point():
    """A normal scatter of 0.2 dB; a mean of three leans towards its taps, and the variance must not."""
    level_db, at, _ = struck(7, 2000, 3, spread_db=0.0)
    repeat = point_means(table(level_db, at), 2000).repeat_db2[:, :N_BANDS]
    # Student's weights take some of a normal law's own tails off: a tenth with 28 columns.
    np.testing.assert_allclose(repeat.mean(axis=0), 0.2**2, rtol=0.2)


def test_the_variance_by_noise_agrees_with_monte_carlo():
    """The same tap 3000 times in white noise, from samples to points; steady noise is half of it."""
    rng, rate_hz, tries = np.random.default_rng(8), 48_000.0, 3000
    samples = round((STRIKE_S + RINGING_S) * rate_hz)
    time_s = np.arange(samples) / rate_hz
    tap = rng.standard_normal(samples) * np.exp(-time_s / 0.012)
    sigma = 0.08
    energy = band_energy(tap + sigma * rng.standard_normal((tries, samples)), rate_hz)
    room = np.tile(sigma**2 * 2 / rate_hz * np.diff(BAND_EDGES_HZ), (tries, 1))
    points = point_means(TapTable(np.arange(tries), energy.strike, energy.ringing, room), tries)
    band_db = points.sound_db[:, :N_BANDS] + points.level_db[:, None]
    measured, expected = band_db.var(axis=0), points.noise_db2[:, :N_BANDS].mean(axis=0) / ROOM_UNSTEADY
    wide = band_freedoms(STRIKE_S) > 4.5
    np.testing.assert_allclose(measured[wide], expected[wide], rtol=0.15)
    # Sharp ends leak: narrow bands have up to a fifth more amplitudes than width times duration.
    several = band_freedoms(STRIKE_S) > 3
    assert (measured[several] < 1.1 * expected[several]).all()
    assert (measured[several] > 0.7 * expected[several]).all()


def test_the_rooms_mean_power_is_taken_off():
    """Without that, a band as loud as the room would read 3 dB too much."""
    rng = np.random.default_rng(9)
    level_db, at, _ = struck(9, 50, 3, spread_db=0.1)
    quiet = table(level_db, at)
    room = np.full_like(level_db, 10**-3.0) * rng.uniform(0.5, 1.5, N_BANDS)
    loud = TapTable(at, quiet.strike + room * STRIKE_S, quiet.ringing + room * RINGING_S, room)
    clean, noisy = point_means(quiet, 50), point_means(loud, 50)
    np.testing.assert_allclose(noisy.sound_db, clean.sound_db, atol=0.05)


def test_a_band_below_the_room_keeps_a_level_and_gets_a_wide_variance():
    level_db, at, _ = struck(10, 50, 3, spread_db=0.1)
    buried = table(level_db, at)
    room = np.full_like(level_db, 1e-9)
    room[:, 4] = 100 * (buried.strike + buried.ringing)[:, 4] / (STRIKE_S + RINGING_S)
    points = point_means(replace(buried, room=room), 50)
    assert np.isfinite(points.sound_db).all()
    assert points.noise_db2[:, 4].min() > 100 * points.noise_db2[:, 12].max()


def test_a_room_that_was_not_heard_adds_no_variance():
    level_db, at, _ = struck(11, 20, 3)
    points = point_means(replace(table(level_db, at), room=np.full_like(level_db, np.nan)), 20)
    assert (points.noise_db2 == 0).all()
    assert np.isfinite(points.sound_db).all()


@settings(deadline=None, max_examples=25)
@given(st.integers(0, 2**32 - 1), st.floats(1e-3, 1e3))
def test_gain_moves_the_level_and_nothing_else(seed, gain):
    level_db, at, _ = struck(seed, 20, 3)
    quiet = table(level_db, at)
    loud = TapTable(at, quiet.strike * gain, quiet.ringing * gain, quiet.room * gain)
    plain, there = point_means(quiet, 20), point_means(loud, 20)
    np.testing.assert_allclose(there.sound_db, plain.sound_db, atol=1e-7)
    np.testing.assert_allclose(there.noise_db2, plain.noise_db2, rtol=1e-6, atol=1e-12)
    np.testing.assert_allclose(there.level_db, plain.level_db + 10 * np.log10(gain), atol=1e-7)


@settings(deadline=None, max_examples=25)
@given(st.integers(0, 2**32 - 1))
def test_the_order_of_the_taps_does_not_matter(seed):
    some = readings(seed % 1000).taps
    order = np.random.default_rng(seed).permutation(some.at.size)
    shuffled = TapTable(some.at[order], some.strike[order], some.ringing[order], some.room[order])
    plain, there = point_means(some, 192), point_means(shuffled, 192)
    np.testing.assert_allclose(there.sound_db, plain.sound_db, atol=1e-8)
    np.testing.assert_allclose(there.taps, plain.taps, rtol=1e-9)


def test_points_without_a_tap_are_unread():
    level_db, at, _ = struck(12, 10, 3)
    points = point_means(table(level_db[at != 4], at[at != 4]), 12)
    assert points.read.tolist() == [k not in (4, 10, 11) for k in range(12)]
    for values in (points.sound_db, points.noise_db2, points.level_db):
        assert np.isnan(values[~points.read]).all()
        assert np.isfinite(values[points.read]).all()


def test_no_taps_at_all():
    nothing = np.zeros((0, N_BANDS))
    points = point_means(TapTable(np.zeros(0, dtype=np.intp), nothing, nothing, nothing), 6)
    assert not points.read.any()
    assert points.sound_db.shape == (6, N_BANDS + len(RINGING_BANDS))


def test_a_difference_the_other_way_round_twice_is_itself():
    points = point_means(readings(1).taps, 192)
    back = points.reversed()
    np.testing.assert_array_equal(back.sound_db, -points.sound_db)
    np.testing.assert_array_equal(back.noise_db2, points.noise_db2)
    np.testing.assert_array_equal(back.reversed().level_db, points.level_db)


@pytest.mark.parametrize("late", [0.05, 0.6])
def test_how_much_rings_on_is_a_share_in_db(late):
    level_db, at, _ = struck(13, 20, 3)
    points = point_means(table(level_db, at, late), 20)
    np.testing.assert_allclose(points.sound_db[:, N_BANDS:], 10 * np.log10(late), atol=1e-3)
