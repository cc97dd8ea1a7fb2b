"""Streams to listen to: struck beams in a room, laid where a test wants them."""

import numpy as np

from tests.signals.struck import Beam, recording, struck_beam

__all__ = ["BEAM", "beam_tap", "double_tap", "fed", "in_blocks", "stream"]

BEAM = Beam(0.18, 0.025, 0.003, 60e9, 1550.0)


def beam_tap(rate_hz, contact_s=0.3e-3, loss=0.03, beam=BEAM, at=(0.13, 0.82)):
    return struck_beam(beam, rate_hz, 0.25, contact_s, loss, at)


def double_tap(rate_hz, after_s=0.03, down_db=3.0):
    tap = beam_tap(rate_hz, loss=0.06)
    later = round(after_s * rate_hz)
    again = tap.copy()
    tap[later:] += 10 ** (-down_db / 20) * again[:-later]
    return tap


def stream(rate_hz, taps, duration_s, noise_rms=1e-3, seed=1, **room):
    """Lay (time_s, gain, tap) into a room with pink noise, hum and an offset; float32."""
    rng = np.random.default_rng(seed)
    starts = [round(time_s * rate_hz) for time_s, _, _ in taps]
    struck = [gain * tap for _, gain, tap in taps]
    sound = recording(struck, starts, rate_hz, duration_s, rng, noise_rms=noise_rms, **room)
    return sound.astype(np.float32)


def in_blocks(sound, lengths):
    """Cut a sound into blocks of the given lengths, over and over."""
    at, turn = 0, 0
    while at < len(sound):
        length = lengths[turn % len(lengths)]
        yield sound[at : at + length]
        at, turn = at + length, turn + 1


def fed(take, state, sound, lengths):
    """Feed a sound to a pure function (state, block) -> (state, things) and gather the things."""
    things = []
    for block in in_blocks(sound, lengths):
        state, more = take(state, block)
        things += more
    return state, things
