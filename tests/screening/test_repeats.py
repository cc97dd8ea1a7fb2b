"""How well a point repeats, told from its own taps and those around."""

import numpy as np
import pytest

from tapscan.screening.repeats import _of_a_median, reading_variance
from tapscan.screening.tap_readings import SingleTaps, TapReadings

STATIONS, POSITIONS, BANDS = 20, 12, 8


def readings(scatter_db, taps: int, seed: int = 1, strike_db: float = 0.0) -> TapReadings:
    """Taps that scatter by so much; a harder strike is brighter by 0.5 dB per dB in the last bands."""
    rng = np.random.default_rng(seed)
    count = STATIONS * POSITIONS
    at = np.repeat(np.arange(count), taps)
    level = strike_db * rng.normal(size=at.size)
    scatter = np.broadcast_to(scatter_db, (STATIONS, POSITIONS)).ravel()[at]
    bright = 0.5 * level[:, None] * (np.arange(BANDS) >= BANDS // 2)
    # High enough for the floor of the score to be out of sight.
    spectra = -10 * np.log10(BANDS) + scatter[:, None] * rng.normal(size=(at.size, BANDS)) + bright
    reading = np.array([np.median(spectra[at == i], axis=0) for i in range(count)])
    grid = (STATIONS, POSITIONS)
    return TapReadings(
        np.full(grid, ""),
        np.full(grid, taps),
        {"level_db": np.zeros(grid)},
        reading.reshape(*grid, BANDS),
        np.full((*grid, BANDS), np.nan),
        np.geomspace(500, 8000, BANDS),
        SingleTaps(at, spectra, level),
    )


@pytest.mark.parametrize("taps", [2, 3, 5])
def test_the_variance_is_that_of_a_median_of_taps(taps):
    some = readings(0.5, taps)
    variance = reading_variance(some, BANDS)
    assert variance.shape == (STATIONS, POSITIONS, BANDS)
    true = np.var(some.spectrum_db.reshape(-1, BANDS), axis=0).mean()
    assert np.median(variance) == pytest.approx(true, rel=0.25)


@pytest.mark.parametrize("taps", [1, 2, 3, 4, 5, 6, 7, 10])
def test_the_median_of_an_even_number_of_taps_scatters_less(taps):
    drawn = np.median(np.random.default_rng(8).standard_normal((200_000, taps)), axis=1)
    assert float(_of_a_median(np.array([taps]))[0]) == pytest.approx(drawn.var(), rel=0.04)


def test_stations_that_scatter_more_are_known_by_it():
    scatter = np.where(np.arange(STATIONS)[:, None] < 8, 0.3, 1.2)
    variance = reading_variance(readings(scatter, 3), BANDS)
    assert np.median(variance[12:]) > 8 * np.median(variance[:6])


def test_one_restless_point_is_known_by_its_own_taps():
    scatter = np.full((STATIONS, POSITIONS), 0.3)
    scatter[9, 5] = 3.0
    variance = reading_variance(readings(scatter, 3), BANDS)
    assert variance[9, 5].mean() > 8 * np.median(variance)
    assert variance[9, 6].mean() < 2 * np.median(variance)


def test_how_hard_the_taps_were_struck_is_no_scatter():
    steady = np.median(reading_variance(readings(0.3, 3), BANDS))
    struck = np.median(reading_variance(readings(0.3, 3, strike_db=3.0), BANDS))
    assert struck == pytest.approx(steady, rel=0.2)


def test_without_repeats_nothing_is_known():
    assert reading_variance(readings(0.3, 1), BANDS) is None
