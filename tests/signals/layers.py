"""A layered wall seen by a probe, in the frequency domain: plies, resin between them, an air gap, losses.

Shares nothing with the package: no pulse model, no echo model. Every reverberation is in it, because the
reflection of the whole stack is one recursion over its layers (Brekhovskikh, Waves in Layered Media, from
memory).
"""

import numpy as np

WATER, AIR, RESIN = (1000.0, 1480.0), (1.2, 343.0), (1200.0, 2600.0)
PLY_MM, RESIN_MM = 0.125, 0.008


def probe(frequency_hz, centre_hz=5e6):
    """A damped, lopsided pulse: sharp attack, ringing tail; nothing like a Gaussian."""
    decay, ring = 2.2 * centre_hz, 2 * np.pi * centre_hz
    s = 2j * np.pi * frequency_hz
    lower, upper = s + decay + 1j * ring, s + decay - 1j * ring
    return 1e-3 * s * ring**3 / (lower * upper) ** 2 * (s + 0.5 * ring)


def stack(thickness_mm, velocity_m_s=2950.0, density_kg_m3=1550.0, gap_mm=None):
    """Layers (density, velocity, thickness in mm) of a laminate; cut short by air at `gap_mm`."""
    depth, layers = (thickness_mm if gap_mm is None else gap_mm), []
    while depth > 1e-9:
        ply = min(PLY_MM - RESIN_MM, depth)
        layers.append((density_kg_m3, velocity_m_s, ply))
        depth -= ply
        if depth > RESIN_MM:
            layers.append((*RESIN, RESIN_MM))
            depth -= RESIN_MM
    return layers


def transit_s(layers):
    """Time there and back through all layers."""
    return sum(2e-3 * thickness / velocity for _, velocity, thickness in layers)


def reflection(frequency_hz, layers, front=WATER, back=AIR, loss_db_mm=0.6):
    """Reflection coefficient of the stack; loss is at 5 MHz, one way, and rises with frequency to the 1.2."""
    loss = loss_db_mm / 8.686 * (np.abs(frequency_hz) / 5e6) ** 1.2  # nepers per mm
    media = [front, *[layer[:2] for layer in layers], back]
    impedance = [density * velocity for density, velocity in media]
    total = np.full(
        len(frequency_hz), (impedance[-1] - impedance[-2]) / (impedance[-1] + impedance[-2]), complex
    )
    for k in range(len(layers) - 1, -1, -1):
        _, velocity, thickness = layers[k]
        phase = np.exp(-2 * (2j * np.pi * frequency_hz * thickness * 1e-3 / velocity + loss * thickness))
        step = (impedance[k + 1] - impedance[k]) / (impedance[k + 1] + impedance[k])
        total = (step + total * phase) / (1 + step * total * phase)
    return total


def traces(responses, delay_s, samples, sample_rate_hz, centre_hz=5e6):
    """Traces (n, samples) of reflection spectra at the frequencies of `axis_hz`, delayed by (n,) seconds."""
    frequency = axis_hz(samples, sample_rate_hz)
    spectrum = probe(frequency, centre_hz) * np.asarray(responses)
    spectrum = spectrum * np.exp(-2j * np.pi * frequency * np.asarray(delay_s)[:, None])
    return np.fft.irfft(spectrum, 4 * samples, axis=1)[:, :samples]


def axis_hz(samples, sample_rate_hz):
    """Frequencies of a record four times as long, so that nothing wraps round."""
    return np.fft.rfftfreq(4 * samples, 1 / sample_rate_hz)


def wall_spectra(
    depths_mm, thickness_mm, velocity_m_s, samples, sample_rate_hz, *, back=AIR, front=WATER, loss=0.6
):
    """Reflection spectra (n, frequencies) and true times there and back (n,), one wall per row.

    `depths_mm` (n,) is NaN where the wall is sound, else where an air gap cuts it; `thickness_mm` (n,).
    """
    frequency, known = axis_hz(samples, sample_rate_hz), {}
    spectra = np.empty((len(depths_mm), len(frequency)), complex)
    times = np.empty(len(depths_mm))
    for row, key in enumerate(zip(np.round(depths_mm, 3), np.round(thickness_mm, 3), strict=True)):
        if key not in known:
            gap, thickness = key
            layers = stack(thickness, velocity_m_s, gap_mm=None if np.isnan(gap) else gap)
            behind = back if np.isnan(gap) else AIR
            spectrum = reflection(frequency, layers, front=front, back=behind, loss_db_mm=loss)
            known[key] = spectrum, transit_s(layers)
        spectra[row], times[row] = known[key]
    return spectra, times


def scattered(traces_, arrival_s, until_s, level, rng, sample_rate_hz):
    """Add what pores and fibres send back from inside: the probe's own band, at random, rms `level`."""
    samples = traces_.shape[1]
    noise = np.fft.rfft(rng.normal(size=(len(traces_), 4 * samples)), axis=1)
    noise = np.fft.irfft(noise * np.abs(probe(axis_hz(samples, sample_rate_hz))), axis=1)[:, :samples]
    time_s = np.arange(samples) / sample_rate_hz
    inside = (time_s > arrival_s[:, None] + 0.1e-6) & (time_s < until_s[:, None])
    return traces_ + level * noise / noise.std() * inside
