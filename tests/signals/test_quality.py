import numpy as np
import pytest

from tapscan.signals import recording_fault
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
