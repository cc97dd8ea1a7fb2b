"""Beats are separated from second strikes: on sums of modes, and on a struck beam of finite elements."""

import numpy as np
import pytest

from tapscan.signals import find_taps
from tapscan.signals.taps.bounces import is_struck_again
from tapscan.signals.taps.finding import _group
from tests.signals.struck import Beam, oscillation, struck_beam


def beating(rng, rate_hz, strong=2):
    """Strong modes some hundred hertz apart among weaker ones."""
    time_s = np.arange(round(0.25 * rate_hz)) / rate_hz
    frequency_hz, damping = rng.uniform(500, 3000), rng.uniform(0.002, 0.008)
    apart_hz, tap = rng.uniform(100, 600), np.zeros_like(time_s)
    for k in range(strong):
        tap += rng.uniform(0.9, 1.1) * oscillation(time_s, frequency_hz + k * apart_hz, damping)
    for _ in range(rng.integers(0, 12)):
        tap += rng.uniform(0, 0.3) * oscillation(time_s, rng.uniform(400, 0.4 * rate_hz), damping)
    return tap


@pytest.mark.parametrize(
    ("rate_hz", "most_missed"), [(8_000, 6), (44_100, 2), (48_000, 2), (96_000, 2), (192_000, 2)]
)
def test_modes_that_beat_are_one_strike_and_with_another_they_are_two(rate_hz, most_missed):
    """A weak one that follows soon may be missed; at 8 kHz a dozen modes want more than the memory holds."""
    rng, missed = np.random.default_rng(rate_hz), 0
    lead = round(0.1 * rate_hz)
    for _ in range(30):
        tap = beating(rng, rate_hz)
        noise = 0.003 * rng.standard_normal(lead + tap.size)
        sound = np.concatenate([np.zeros(lead), tap]) + noise
        moments = lead + np.round(rng.uniform(0.004, 0.07, 6) * rate_hz).astype(int)
        assert not is_struck_again(sound, lead, moments, rate_hz)
        again = moments[0]
        sound[again:] += 10 ** (-rng.uniform(1, 12) / 20) * tap[: sound.size - again]
        missed += not is_struck_again(sound, lead, moments, rate_hz)
    assert missed <= most_missed


def test_no_station_is_left_unread_for_its_beats():
    rng = np.random.default_rng(2)
    doubles = 0
    for _ in range(40):
        sound = np.concatenate([np.zeros(4800), 0.1 * beating(rng, 48_000, strong=4)])
        found = find_taps(sound + 0.0005 * rng.standard_normal(sound.size), 48_000)
        assert len(found.start) == 1
        doubles += int(found.is_double.sum())
    assert doubles == 0  # rises of 6 dB alone were taken for strikes at some of them


@pytest.mark.parametrize("loss", [0.01, 0.03, 0.06])
def test_a_second_strike_on_a_beam_is_detected_though_softer_and_weaker(loss):
    beam = Beam(0.18, 0.025, 0.003, 60e9, 1550.0)
    rng = np.random.default_rng(4)
    first, second = (struck_beam(beam, 48_000, 0.12, contact_s, loss) for contact_s in (0.25e-3, 0.4e-3))
    for _ in range(15):
        again = round(rng.uniform(0.005, 0.06) * 48_000)
        sound = np.concatenate([np.zeros(480), first]) + 0.003 * rng.standard_normal(480 + first.size)
        assert not is_struck_again(sound, 480, np.array([480 + again]), 48_000)
        sound[480 + again :] += 10 ** (-rng.uniform(1, 12) / 20) * second[: first.size - again]
        assert is_struck_again(sound, 480, np.array([480 + again]), 48_000)


def test_a_tap_that_a_recording_begins_with_has_its_beats_too():
    rng = np.random.default_rng(6)
    for _ in range(20):
        sound = 0.1 * beating(rng, 48_000, strong=4) + 0.0005 * rng.standard_normal(12_000)
        assert not find_taps(sound, 48_000).is_double.any()


def test_most_second_strikes_are_detected_in_the_ringing_of_the_first():
    """Their energy rises by 6 dB over that in half of the cases only."""
    rng, detected = np.random.default_rng(5), 0
    beam = Beam(0.18, 0.025, 0.003, 60e9, 1550.0)
    taps = {
        loss: [struck_beam(beam, 48_000, 0.25, contact_s, loss) for contact_s in (0.25e-3, 0.4e-3)]
        for loss in (0.01, 0.03, 0.06)
    }
    for _ in range(60):
        first, second = taps[rng.choice([0.01, 0.03, 0.06])]
        sound = np.concatenate([np.zeros(4800), first]) + 0.005 * rng.standard_normal(4800 + first.size)
        assert not find_taps(sound, 48_000).is_double.any()
        again = 4800 + round(rng.uniform(0.006, 0.06) * 48_000)
        sound[again:] += 10 ** (-rng.uniform(1, 12) / 20) * second[: sound.size - again]
        detected += int(find_taps(sound, 48_000).is_double.any())
    assert detected >= 44  # 33 by a rise of 6 dB


def test_two_strikes_after_a_light_touch_are_two():
    """The touch led until the louder of them took its place, and what came between was forgotten."""
    beam = Beam(0.18, 0.025, 0.003, 60e9, 1550.0)
    tap = struck_beam(beam, 48_000, 0.25, 0.25e-3, 0.06)
    sound = 0.0005 * np.random.default_rng(9).standard_normal(4800 + 2 * tap.size)
    for after_s, level_db in ((0.0, -11.5), (0.02, -3.0), (0.05, 0.0)):
        start = 4800 + round(after_s * 48_000)
        sound[start : start + tap.size] += 10 ** (level_db / 20) * tap
    assert find_taps(sound, 48_000).is_double.all()


def test_what_rattled_before_the_tap_is_no_later_strike_of_it():
    """A touch, its bounce and then the tap, by far the loudest: that one leads, and nothing follows it."""
    hop, strength = np.array([10, 60, 130]), np.array([1.0, 0.8, 50.0])
    leaders, suspects = _group((hop, strength, np.ones(3, dtype=bool)), 0.25e-3)
    assert (leaders.tolist(), suspects) == ([130], [[]])
    leaders, suspects = _group((hop, np.array([1.0, 8.0, 50.0]), np.ones(3, dtype=bool)), 0.25e-3)
    assert (leaders.tolist(), suspects) == ([10], [[60, 130]])  # the second is nearly as loud as the third
