"""Taps to judge by: damped oscillations with their Cramér-Rao bound, and a beam that knows nothing of them.

The beam is made of Timoshenko finite elements with hysteretic loss, struck by a half-sine force, heard
through a
room and over coloured noise. Nothing in it is a sum of damped sinusoids by construction.
"""

import numpy as np
from scipy import linalg

__all__ = ["Beam", "bound", "oscillation", "recording", "room", "struck_beam"]


def oscillation(t, frequency_hz, damping_ratio, amplitude=1.0, phase_rad=0.0):
    """Exact free decay of one mode."""
    omega = 2 * np.pi * frequency_hz
    turning = np.sin(omega * np.sqrt(1 - damping_ratio**2) * t + phase_rad)
    return amplitude * np.exp(-damping_ratio * omega * t) * turning


def bound(modes, t, noise_rms):
    """Cramér-Rao bound on (frequency, damping ratio, amplitude, phase) of every mode: inverse Fisher matrix.

    The derivatives are written out, not differenced, so that nothing of the fitted code is in them.
    """
    columns = []
    for frequency_hz, damping_ratio, amplitude, phase_rad in modes:
        omega, root = 2 * np.pi * frequency_hz, np.sqrt(1 - damping_ratio**2)
        decay = np.exp(-damping_ratio * omega * t)
        sine, cosine = np.sin(omega * root * t + phase_rad), np.cos(omega * root * t + phase_rad)
        by_omega = amplitude * decay * t * (root * cosine - damping_ratio * sine)
        by_damping = -amplitude * decay * omega * t * (sine + damping_ratio / root * cosine)
        columns += [2 * np.pi * by_omega, by_damping, decay * sine, amplitude * decay * cosine]
    jacobian = np.stack(columns, axis=1)
    scale = np.linalg.norm(jacobian, axis=0)
    fisher = (jacobian / scale).T @ (jacobian / scale)
    spread = noise_rms * np.sqrt(np.diag(np.linalg.inv(fisher))) / scale
    return spread.reshape(len(modes), 4)


class Beam:
    """Free uniform beam of Timoshenko elements: natural frequencies and mode shapes."""

    def __init__(self, length_m, width_m, thickness_m, modulus_pa, density_kg_m3, poisson=0.3, elements=60):
        area, inertia = width_m * thickness_m, width_m * thickness_m**3 / 12
        shear_pa = modulus_pa / (2 * (1 + poisson))
        step = length_m / elements
        flexibility = 12 * modulus_pa * inertia / (5 / 6 * shear_pa * area * step**2)
        stiffness = np.zeros((2 * elements + 2,) * 2)
        mass = np.zeros_like(stiffness)
        bending = (
            modulus_pa
            * inertia
            / (step**3 * (1 + flexibility))
            * np.array(
                [
                    [12, 6 * step, -12, 6 * step],
                    [6 * step, (4 + flexibility) * step**2, -6 * step, (2 - flexibility) * step**2],
                    [-12, -6 * step, 12, -6 * step],
                    [6 * step, (2 - flexibility) * step**2, -6 * step, (4 + flexibility) * step**2],
                ]
            )
        )  # Przemieniecki, Theory of Matrix Structural Analysis (1968), from memory
        translation = (
            density_kg_m3
            * area
            * step
            / 420
            * np.array(
                [
                    [156, 22 * step, 54, -13 * step],
                    [22 * step, 4 * step**2, 13 * step, -3 * step**2],
                    [54, 13 * step, 156, -22 * step],
                    [-13 * step, -3 * step**2, -22 * step, 4 * step**2],
                ]
            )
        )
        rotation = (
            density_kg_m3
            * inertia
            / (30 * step)
            * np.array(
                [
                    [36, 3 * step, -36, 3 * step],
                    [3 * step, 4 * step**2, -3 * step, -(step**2)],
                    [-36, -3 * step, 36, -3 * step],
                    [3 * step, -(step**2), -3 * step, 4 * step**2],
                ]
            )
        )
        for i in range(elements):
            part = slice(2 * i, 2 * i + 4)
            stiffness[part, part] += bending
            mass[part, part] += translation + rotation
        square, shapes = linalg.eigh(stiffness, mass)
        self.frequency_hz = np.sqrt(np.maximum(square[2:], 0)) / (2 * np.pi)
        self.shapes = shapes[0::2, 2:]


def struck_beam(beam, sample_rate_hz, duration_s, contact_s=0.3e-3, loss=0.02, at=(0.13, 0.82), modes=8):
    """Velocity at one place after a half-sine force at another, through complex stiffness."""
    count = round(4 * duration_s * sample_rate_hz)
    omega = 2 * np.pi * np.fft.rfftfreq(count, 1 / sample_rate_hz)
    node = [round(share * (len(beam.shapes) - 1)) for share in at]
    response = np.zeros(len(omega), dtype=complex)
    for i in range(modes):
        if beam.frequency_hz[i] > 0.45 * sample_rate_hz:
            break
        natural = 2 * np.pi * beam.frequency_hz[i]
        strength = beam.shapes[node[0], i] * beam.shapes[node[1], i]
        response += strength * 1j * omega / (natural**2 * (1 + 1j * loss) - omega**2)
    time = np.arange(count) / sample_rate_hz
    force = np.where(time < contact_s, np.sin(np.pi * time / contact_s), 0.0)
    sound = np.fft.irfft(np.fft.rfft(force) * response, count)[: round(duration_s * sample_rate_hz)]
    return sound / np.abs(sound).max()


def room(sound, sample_rate_hz, rng, decay_s=0.4, level_db=-12.0):
    """Add a diffuse reverberation: exponentially decaying noise, first arriving after 4 ms."""
    time = np.arange(round(decay_s * sample_rate_hz)) / sample_rate_hz
    tail = rng.standard_normal(len(time)) * 10 ** (-3 * time / decay_s) * (time > 0.004)
    tail *= 10 ** (level_db / 20) / np.linalg.norm(tail)
    tail[0] = 1.0
    size = 1 << (len(sound) + len(tail)).bit_length()
    return np.fft.irfft(np.fft.rfft(sound, size) * np.fft.rfft(tail, size), size)[: len(sound)]


def recording(
    taps, starts, sample_rate_hz, duration_s, rng, noise_rms=0.01, hum=0.05, offset=0.05, reverb=True
):
    """Lay taps at their onsets into a recording with a room, pink noise, 50 Hz hum and an offset."""
    n_samples = round(duration_s * sample_rate_hz)
    sound = np.zeros(n_samples)
    for tap, start in zip(taps, starts, strict=True):
        stop = min(start + len(tap), n_samples)
        sound[start:stop] += tap[: stop - start]
    if reverb:
        sound = room(sound, sample_rate_hz, rng)
    time = np.arange(n_samples) / sample_rate_hz
    white = np.fft.rfft(rng.standard_normal(n_samples))
    frequency = np.fft.rfftfreq(n_samples, 1 / sample_rate_hz)
    noise = np.fft.irfft(white / np.sqrt(np.maximum(frequency, 100.0)), n_samples)
    noise *= noise_rms / noise.std()
    hum_there = hum * (np.sin(2 * np.pi * 50 * time + 1) + 0.3 * np.sin(2 * np.pi * 150 * time))
    return sound + noise + hum_there + offset
