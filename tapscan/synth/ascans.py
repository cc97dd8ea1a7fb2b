"""Simulated A-scans of a zone: what a probe that looks straight down hears at every point.

Every trace is a sum of delayed, weakened copies of one pulse: the front surface, a little from each ply, the
back wall and its repeats, and whatever is between. A delamination takes the share of the beam that falls on
it and leaves the rest to go on, so that its echo is half at its edge.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tapscan.physics.waves import impedance_mrayl, reflection, time_of_flight_us
from tapscan.plan.surfaces import s_mm, x_mm
from tapscan.synth.defects import Defect, distance_mm
from tapscan.synth.seeds import generator

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tapscan.plan.zones import Zone

__all__ = ["AScanScene", "AScanVolume", "Insert", "beam_share", "simulate_ascans"]

REPEATS = 3  # of every echo between a reflector and the front surface; later ones are lost
AIR_MRAYL = 0.0004  # what fills a delamination


@dataclass(frozen=True, slots=True)
class Insert:
    """A bonded insert behind the wall, all across the zone from one x to another."""

    first_x_mm: float
    last_x_mm: float
    impedance_mrayl: float = 3.1


@dataclass(frozen=True, slots=True)
class AScanScene:
    """Probe, coupling, laminate and digitiser.

    `bandwidth` is the pulse's -6 dB width over its centre frequency; `front_us` the front surface's usual
    time, which swings by `drift_us` over the zone; `coupling_spread_db` the standard deviation of coupling
    from point to point; `beam_mm` the beam's -6 dB width on a small reflector. `thickness_change_mm` is how
    much thicker the wall is at the last station than at the first; the plan's thickness holds in the middle.
    `snr_db` compares the front-surface echo's peak with the noise's RMS; `level` is that peak in parts of
    full scale.
    """

    sample_rate_mhz: float = 100.0
    samples: int = 512
    centre_frequency_mhz: float = 5.0
    bandwidth: float = 0.7
    front_us: float = 0.8
    drift_us: float = 0.05
    coupling_spread_db: float = 1.0
    couplant_mrayl: float = 1.48
    backing_mrayl: float = AIR_MRAYL
    insert: Insert | None = None
    attenuation_db_mm_mhz: float = 0.25
    beam_mm: float = 5.0
    place_spread_mm: float = 0.3
    ply_mm: float = 0.2
    ply_reflection: float = 0.008
    thickness_change_mm: float = 0.0
    snr_db: float = 46.0
    level: float = 0.5
    bits: int = 12


@dataclass(frozen=True, slots=True, eq=False)
class AScanVolume:
    """One trace per point.

    Shapes: `samples` (stations, positions, samples) in parts of full scale, float32; `thickness_mm`
    (stations, positions) true wall thickness; `front_us` (stations, positions) true time of the front-surface
    echo's centre.
    """

    samples: "NDArray[np.float32]"
    sample_rate_hz: float
    thickness_mm: "NDArray[np.float64]"
    front_us: "NDArray[np.float64]"


@dataclass(frozen=True, slots=True, eq=False)
class _Shots:
    """How every point was shot; arrays (stations, positions), `plies` (stations, positions, plies)."""

    front_us: "NDArray[np.float64]"
    gain: "NDArray[np.float64]"
    off_x_mm: "NDArray[np.float64]"
    off_s_mm: "NDArray[np.float64]"
    plies: "NDArray[np.float64]"


@dataclass(frozen=True, slots=True, eq=False)
class _Echoes:
    """What is below the front surface: one-way path and strength; shape (stations, positions, echoes)."""

    depth_mm: "NDArray[np.float64]"
    strength: "NDArray[np.float64]"


def simulate_ascans(zone: "Zone", defects: Sequence[Defect], scene: AScanScene, seed: int) -> AScanVolume:
    """Take one A-scan at every point of a zone.

    Each point has its own random stream, as in `simulate_taps`.

    Raises
    ------
    ValueError
        When the zone's plan lacks thickness, density or velocity.

    Examples
    --------
    >>> from tapscan.plan.text.reading import parse_plan
    >>> zone = parse_plan('''[[zone]]
    ... code = "P"
    ... shape = "panel"
    ... stations = 2
    ... positions = 3
    ... station_pitch_mm = 5
    ... position_pitch_mm = 5
    ... thickness_mm = 2.4
    ... density_kg_m3 = 1550
    ... velocity_m_s = 2950''').zones[0]
    >>> simulate_ascans(zone, [], AScanScene(), seed=1).samples.shape
    (2, 3, 512)
    """
    wall = _wall(zone)
    along = np.linspace(-0.5, 0.5, zone.stations) if zone.stations > 1 else np.zeros(1)
    ramp_mm = wall.thickness_mm + along * scene.thickness_change_mm
    thickness_mm = np.broadcast_to(ramp_mm[:, None], zone.grid_shape)
    shots = _shots(zone, scene, seed, round(float(thickness_mm.mean()) / scene.ply_mm))
    echoes = _echoes(zone, defects, scene, shots, thickness_mm)
    samples = np.empty((*zone.grid_shape, scene.samples), dtype=np.float32)
    for station in range(zone.stations):
        clean = _traces(wall, scene, shots, echoes, station)
        for position in range(zone.positions):
            rng = generator(seed, "echo noise", zone.code, station, position)
            noise = scene.level * 10 ** (-scene.snr_db / 20) * rng.standard_normal(scene.samples)
            samples[station, position] = _digitise(clean[position] + noise, scene.bits)
    samples.setflags(write=False)
    return AScanVolume(samples, scene.sample_rate_mhz * 1e6, thickness_mm, shots.front_us)


def beam_share(
    off_centre_mm: "NDArray[np.float64]", radius_mm: float, beam_mm: float
) -> "NDArray[np.float64]":
    """Share of a beam that falls on a disc, by distance of the beam's axis from its centre; same shape.

    The beam there and back is a Gaussian that is half at `beam_mm` / 2. The share is the noncentral
    chi-square distribution with two degrees of freedom (mathematics: a Gaussian's integral over an offset
    disc).

    Examples
    --------
    >>> beam_share(np.array([0.0, 30.0, 60.0]), 30.0, 5.0).round(2).tolist()
    [1.0, 0.49, 0.0]
    """
    from scipy.special import chndtr

    sigma_mm = beam_mm / np.sqrt(8 * np.log(2))
    # Nine sigma beyond the edge nothing is left, and the series would be slow there.
    offset = np.minimum(off_centre_mm, radius_mm + 9 * sigma_mm)
    inside = offset < radius_mm - 9 * sigma_mm
    share = chndtr((radius_mm / sigma_mm) ** 2, 2.0, (offset / sigma_mm) ** 2)
    return np.asarray(np.where(inside, 1.0, share))


@dataclass(frozen=True, slots=True)
class _Wall:
    thickness_mm: float
    mrayl: float
    velocity_m_s: float


def _wall(zone: "Zone") -> _Wall:
    """Return what the plan says of the zone's wall, which must be all that sound asks for."""
    laminate = zone.laminate
    thickness_mm, density, velocity = laminate.thickness_mm, laminate.density_kg_m3, laminate.velocity_m_s
    if thickness_mm is None or density is None or velocity is None:
        msg = f"zone {zone.code}: the simulator needs thickness, density and velocity"
        raise ValueError(msg)
    return _Wall(thickness_mm, float(impedance_mrayl(density, velocity)), velocity)


def _shots(zone: "Zone", scene: AScanScene, seed: int, plies: int) -> _Shots:
    front, gain_db, off_x, off_s = (np.zeros(zone.grid_shape) for _ in range(4))
    backscatter = np.zeros((*zone.grid_shape, plies))
    phase = generator(seed, "drift", zone.code).uniform(0, 2 * np.pi, 2)
    for index in np.ndindex(zone.grid_shape):
        rng = generator(seed, "shot", zone.code, *index)
        gain_db[index] = scene.coupling_spread_db * rng.standard_normal()
        front[index] = 0.1 * rng.standard_normal()
        off_x[index], off_s[index] = scene.place_spread_mm * rng.standard_normal(2)
        backscatter[index] = rng.standard_normal(plies)
    # The couplant's thickness swings slowly over the zone, with a little more from point to point.
    slow = np.sin(2 * np.pi * x_mm(zone) / (zone.stations * zone.station_pitch_mm) + phase[0])
    width_mm = s_mm(zone)[:, -1:] * zone.positions / max(1, zone.positions - 1) + (zone.positions == 1)
    slow = slow * np.cos(2 * np.pi * s_mm(zone) / width_mm + phase[1])
    front_us = scene.front_us + scene.drift_us * (slow + front)
    return _Shots(front_us, 10 ** (gain_db / 20), off_x, off_s, scene.ply_reflection * backscatter)


def _echoes(
    zone: "Zone",
    defects: Sequence[Defect],
    scene: AScanScene,
    shots: _Shots,
    thickness_mm: "NDArray[np.float64]",
) -> _Echoes:
    """List what is met on the way down; strengths are pressures over what enters and comes out again."""
    wall = _wall(zone)
    lid = float(reflection(wall.mrayl, scene.couplant_mrayl))
    depths, strengths = [], []
    open_share = np.ones(zone.grid_shape)
    loose_share = np.zeros(zone.grid_shape)  # of the beam, where an insert has come away
    for defect in sorted(defects, key=lambda each: each.depth_mm):
        distance = distance_mm(zone, defect, shots.off_x_mm, shots.off_s_mm)
        share = beam_share(distance, defect.radius_mm, scene.beam_mm)
        if defect.depth_mm >= float(thickness_mm.min()):
            loose_share = np.maximum(loose_share, share)
            continue
        for repeat in range(REPEATS):
            depths.append(np.full(zone.grid_shape, defect.depth_mm * (repeat + 1)))
            strengths.append(open_share * share * float(reflection(wall.mrayl, AIR_MRAYL)) * (-lid) ** repeat)
        open_share = open_share * (1 - share)
    for ply in range(shots.plies.shape[-1] - 1):
        depths.append(np.minimum(scene.ply_mm * (ply + 1), thickness_mm))
        strengths.append(open_share * shots.plies[..., ply])
    back = _back_wall(zone, scene, wall.mrayl, loose_share)
    for repeat in range(REPEATS):
        depths.append(thickness_mm * (repeat + 1))
        strengths.append(open_share * back * (back * lid) ** repeat)
    return _Echoes(np.stack(depths, axis=-1), np.stack(strengths, axis=-1))


def _back_wall(
    zone: "Zone", scene: AScanScene, inside_mrayl: float, loose_share: "NDArray[np.float64]"
) -> "NDArray[np.float64]":
    """Reflection at the back of the wall: weak where an insert is bonded to it, full where it came away."""
    free = float(reflection(inside_mrayl, scene.backing_mrayl))
    if scene.insert is None:
        return np.full(zone.grid_shape, free)
    bonded = float(reflection(inside_mrayl, scene.insert.impedance_mrayl))
    behind = (x_mm(zone) >= scene.insert.first_x_mm) & (x_mm(zone) <= scene.insert.last_x_mm)
    return np.where(behind, bonded + (free - bonded) * loose_share, free)


def _traces(
    wall: _Wall, scene: AScanScene, shots: _Shots, echoes: _Echoes, station: int
) -> "NDArray[np.float64]":
    """Noise-free traces of a station; shape (positions, samples)."""
    # Twice the length, so that what rings beyond the last sample does not come round to the first.
    count = 2 * scene.samples
    frequency_mhz = np.arange(scene.samples + 1) * scene.sample_rate_mhz / count
    front = float(reflection(scene.couplant_mrayl, wall.mrayl))
    depth_mm, strength = echoes.depth_mm[station], echoes.strength[station] * (1 - front**2)
    time_us = time_of_flight_us(depth_mm, wall.velocity_m_s)
    loss_nepers_mhz = scene.attenuation_db_mm_mhz * 2 * depth_mm * (np.log(10) / 20)
    travel = np.exp(-frequency_mhz * (loss_nepers_mhz + 2j * np.pi * time_us)[..., None])
    spectrum = front + np.einsum("pe,pef->pf", strength, travel)
    spectrum = spectrum * np.exp(-2j * np.pi * frequency_mhz * shots.front_us[station][:, None])
    traces = np.fft.irfft(spectrum * _pulse(frequency_mhz, scene), count)[:, : scene.samples]
    return np.asarray(traces * (scene.level / front * shots.gain[station][:, None]))


def _pulse(frequency_mhz: "NDArray[np.float64]", scene: AScanScene) -> "NDArray[np.float64]":
    """Spectrum of the pulse: a Gaussian about its centre frequency, of peak 1 in time."""
    # Half the amplitude, half the bandwidth away from the centre.
    sigma_mhz = scene.bandwidth * scene.centre_frequency_mhz / np.sqrt(8 * np.log(2))
    shape = np.exp(-0.5 * ((frequency_mhz - scene.centre_frequency_mhz) / sigma_mhz) ** 2)
    shape = shape * (frequency_mhz > 0)
    return np.asarray(shape * (scene.samples / shape.sum()))


def _digitise(trace: "NDArray[np.float64]", bits: int) -> "NDArray[np.float64]":
    """Round to the steps of a converter of that many bits and stop at full scale."""
    steps = 2.0 ** (bits - 1)
    return np.asarray(np.clip(np.round(trace * steps), -steps, steps - 1) / steps)
