import numpy as np
import pytest

from tapscan.proving.figures.echoes import CALLIPER_MM, pulse_band, velocity_of


def test_one_wall_gives_the_velocity_and_what_the_calliper_leaves_in_doubt():
    speed = velocity_of(np.full(20, 2.0), np.full(20, 2 * 2.0e-3 / 2950.0))
    assert speed.m_s == pytest.approx(2950.0)
    assert speed.sd_m_s == pytest.approx(2950.0 * CALLIPER_MM / 2.0)
    assert np.isnan(speed.zero_us)


def test_two_walls_show_where_the_time_base_begins():
    wall = np.repeat([2.0, 6.0], 10)
    speed = velocity_of(wall, 2 * wall * 1e-3 / 3000.0 + 0.1e-6)
    assert speed.m_s == pytest.approx(3000.0)
    assert speed.zero_us == pytest.approx(0.1)
    assert speed.zero_sd_us < 0.05


def test_without_a_known_wall_there_is_no_velocity():
    assert velocity_of(np.full(5, np.nan), np.full(5, 1e-6)) is None


@pytest.mark.parametrize("share", [0.4, 0.7])
def test_a_gaussian_pulse_has_its_own_bandwidth(share):
    # exp(-(t/s)²) has half its spectral height at f0 ± √(ln 2)/(π s).
    frequency, rate = 5e6, 200e6
    width = share * frequency
    s = 2 * np.sqrt(np.log(2)) / np.pi / width
    time = np.arange(1200) / rate
    at = np.array([2.0e-6, 2.31e-6, 2.777e-6])
    echo = np.exp(-(((time - at[:, None]) / s) ** 2)) * np.cos(2 * np.pi * frequency * (time - at[:, None]))
    centre, measured = pulse_band(echo, at, rate, frequency)
    assert centre == pytest.approx(frequency, rel=0.02)
    assert measured == pytest.approx(width, rel=0.03)
