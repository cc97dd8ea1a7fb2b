from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.signal import resample_poly

from tapscan.signals import find_taps, recording_fault
from tapscan.signals.taps.quality import has_flat_tops
from tests.signals.struck import Beam, recording, struck_beam

TAP = struck_beam(Beam(0.18, 0.025, 0.003, 60e9, 1550.0), 48000, 0.25, loss=0.03)


def heard(gains, noise_rms=0.005, seed=0, **settings):
    starts = 9600 + 19200 * np.arange(len(gains))
    taps = [gain * TAP for gain in gains]
    return recording(
        taps, starts, 48000, 0.4 * len(gains) + 0.5, np.random.default_rng(seed), noise_rms, **settings
    )


def test_a_good_recording_has_no_fault():
    assert recording_fault(heard([0.5, 0.3, 0.8]), 48000) == ""
    assert recording_fault(heard([0.5]).astype(np.float32), 48000) == ""


def test_silence():
    assert recording_fault(np.zeros(48000), 48000) == "silent"
    assert recording_fault(np.full(48000, 0.2), 48000) == "silent"
    assert recording_fault(np.empty(0), 48000) == "silent"
    assert recording_fault(1e-5 * np.random.default_rng(0).standard_normal(48000), 48000) == "silent"


def test_noise_without_a_tap_and_taps_drowned_in_it():
    assert recording_fault(heard([], 0.05), 48000) == "noisy"
    assert recording_fault(heard([0.05, 0.04], 0.03), 48000) == "noisy"


def test_clipped_only_when_every_tap_is():
    loud = np.clip(heard([3.0, 4.0, 3.5], hum=0, offset=0), -1, 1)
    assert recording_fault(loud, 48000) == "clipped"
    mixed = np.clip(heard([3.0, 0.4, 3.5], hum=0, offset=0), -1, 1)
    assert recording_fault(mixed, 48000) == ""


@pytest.mark.parametrize("broken", [np.nan, np.inf])
def test_not_finite(broken):
    sound = heard([0.5])
    sound[777] = broken
    assert recording_fault(sound, 48000) == "not finite"


def overdriven(gain, level, up=1, down=1):
    """A tap that ran into a converter's limit, then had its level and its rate changed."""
    sound = np.concatenate([np.zeros(240), TAP / np.abs(TAP).max()])
    sound = level * np.clip(gain * sound, -1, 1)
    return resample_poly(sound, up, down)[: round(0.06 * 48_000 * up / down)]


RATES = [(1, 1), (147, 160), (160, 147)]  # 48 kHz, to 44.1 kHz, to 52.2 kHz


@pytest.mark.parametrize("rates", RATES)
@pytest.mark.parametrize("level", [1.0, 0.6, 0.05])
@pytest.mark.parametrize("gain", [1.35, 1.5, 2, 4, 16])
def test_flat_tops_are_seen_whatever_was_done_to_level_and_rate(gain, level, rates):
    assert has_flat_tops(overdriven(gain, level, *rates), 200 * rates[0] // rates[1])


@pytest.mark.parametrize("gain", [1.5, 2, 4, 16])
def test_flat_tops_are_seen_at_half_the_rate(gain):
    assert has_flat_tops(overdriven(gain, 0.6, 1, 2), 100)


@pytest.mark.parametrize("rates", RATES)
@pytest.mark.parametrize("gain", [0.05, 0.5, 0.99])
def test_what_stayed_below_the_limit_has_none(gain, rates):
    assert not has_flat_tops(overdriven(gain, 1.0, *rates), 200)


def test_an_offset_and_noise_change_nothing():
    noise = 0.002 * np.random.default_rng(2).standard_normal(2646)
    for gain, is_flat in ((0.9, False), (2.0, True)):
        assert has_flat_tops(overdriven(gain, 0.6, 147, 160) + noise + 0.1, 200) == is_flat


def test_taps_of_many_beams_have_no_flat_tops():
    rng = np.random.default_rng(6)
    for _ in range(150):
        beam = Beam(rng.uniform(0.08, 0.4), 0.025, rng.uniform(0.001, 0.005), 60e9, 1550.0, elements=30)
        tap = struck_beam(beam, 48_000, 0.06, loss=rng.uniform(0.005, 0.05))
        assert not has_flat_tops(np.concatenate([np.zeros(144), tap]), 140)


def test_taps_of_the_demo_have_no_flat_tops():
    """Another generator, noise and room in it, damaged places among them."""
    files = sorted((Path(__file__).parents[2] / "recordings_demo/taps").glob("*"))[::3]
    assert len(files) > 40
    for path in files:
        sound, rate_hz = soundfile.read(path)
        for start in find_taps(sound, rate_hz).start:
            lead = min(start, rate_hz // 300)
            assert not has_flat_tops(sound[start - lead : start + rate_hz // 18], lead)


@pytest.mark.parametrize("sound", [*map(np.zeros, (0, 1, 500)), np.full(500, 3.0), np.full(9, np.nan)])
def test_what_is_no_tap_has_no_tops(sound):
    assert not has_flat_tops(sound, 0)


def test_a_tap_is_one_row():
    with pytest.raises(ValueError, match=r"tap must have shape \(samples,\), not \(2, 3\)"):
        has_flat_tops(np.zeros((2, 3)), 0)
