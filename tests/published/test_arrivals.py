"""Arrivals and thickness against picks and formulas that others published."""

import gzip
from pathlib import Path

import numpy as np
import pytest

obspy = pytest.importorskip("obspy")

from tapscan.signals import depth_mm  # noqa: E402
from tapscan.signals.arrivals import onset_s  # noqa: E402

DATA = Path(obspy.__file__).parent / "signal/tests/data"


def test_the_p_arrival_that_obspys_own_tests_publish():
    # Published in obspy/signal/tests/test_trigger.py: ar_pick's P arrival on this record, 30.6350002289 s at
    # 200 Hz.
    vertical = np.loadtxt(DATA / "loc_RJOB20050801145719850.z")
    assert onset_s(vertical, 200.0)[0] == pytest.approx(30.6350002289, abs=0.5 / 200)
    for first, last in ((4000, 8000), (5000, 7000), (0, 6500)):
        assert first / 200 + onset_s(vertical[first:last], 200.0)[0] == pytest.approx(
            30.6350002289, abs=0.5 / 200
        )


def test_the_impulsive_p_arrival_of_obspys_baer_picker():
    # Published there too: pk_baer finds sample 17545 ('IPU0') in this record. Another principle, so a few
    # samples apart; the stretch is ours: noise, the arrival and its first seconds.
    with gzip.open(DATA / "manz_waldk.a01.gz") as file:
        record = np.loadtxt(file)
    for first, last in ((16000, 18500), (15000, 20000), (0, 20000)):
        assert first + onset_s(record[first:last], 200.0)[0] * 200 == pytest.approx(17545, abs=5)


def test_thickness_from_two_steps_of_known_thickness():
    # ASTM E797 (from memory): velocity and zero from two known thicknesses, c = 2 Δd / Δt, zero = t₁ − 2 d₁ /
    # c. c = 3000 m/s, zero = 0.35 µs, steps 2 and 10 mm: 1.683333 and 7.016667 µs (computed).
    time_s = np.array([1.683333e-6, 7.016667e-6])
    velocity_m_s = 2 * (10 - 2) * 1e-3 / (time_s[1] - time_s[0])
    zero_s = time_s[0] - 2 * 2e-3 / velocity_m_s
    assert velocity_m_s == pytest.approx(3000, rel=1e-6)
    assert zero_s == pytest.approx(0.35e-6, rel=1e-5)
    np.testing.assert_allclose(depth_mm(time_s - zero_s, velocity_m_s), [2, 10], rtol=1e-6)
    # Five millimetres at 3000 m/s take 3.333333 µs there and back (computed).
    assert depth_mm(3.333333e-6, 3000.0) == pytest.approx(5.0, rel=1e-6)
