"""The other simulators, each as a generator of tap sounds that is built from surface, damages, wall and seed.

Sanders' shell, the bare modes and the demo's own simulator know open delaminations only. The panels of
`tests.independent.plates` and the walls of `tests.independent.slapping` draw their own thickness.
"""

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from tapscan.plan.surfaces import girth_mm
from tapscan.plan.zones import Zone
from tapscan.synth import taps as synth
from tapscan.synth.defects import Defect as SynthDefect
from tests.independent import diffuse, lattice, plates, slapping
from tests.independent.arena.faces import Face
from tests.independent.modes import TAP_S as BARE_TAP_S
from tests.independent.modes import BareTube, bare_tube, sound_at
from tests.independent.shell import Defect, Part, coupled_modes, tube_modes
from tests.independent.strikes import LEAD_S, RATE_HZ, TAP_S, Damage, Generator, Strikes, faded
from tests.independent.surfaces import Surface
from tests.independent.taps import LEAD_SAMPLES, Blows, Hand, drawn, struck_spectra

__all__ = [
    "BareModes",
    "DemoPart",
    "ShellPart",
    "bare_modes",
    "demo_part",
    "diffuse_part",
    "lattice_part",
    "odd_part",
    "plate_part",
    "shell_part",
    "slapping_part",
]

SAMPLES = round(TAP_S * RATE_HZ)
LEAD = round(LEAD_S * RATE_HZ)


def _defects(damages: tuple[Damage, ...]) -> tuple[Defect, ...]:
    if any(d.kind != "open" or d.angle_rad for d in damages):
        msg = "this generator knows open delaminations only, their axes along and round the tube"
        raise ValueError(msg)
    return tuple(Defect(d.x_mm, d.s_mm, d.radii_mm[0], d.depth_mm, d.radii_mm[1]) for d in damages)


@dataclass(frozen=True, slots=True, eq=False)
class ShellPart:
    """Sanders' shell of `tests.independent.shell`, its contact integrated in time."""

    part: Part = field(repr=False)
    hand: Hand

    def sounds(self, strikes: Strikes) -> NDArray[np.float32]:
        """Sound of each tap."""
        length_m = self.part.modes.tube.length_m
        blocks = []
        for k in range(0, strikes.x_mm.size, 480):
            block = slice(k, k + 480)
            blows = Blows(
                np.clip(strikes.x_mm[block] / 1e3, 5e-4, length_m - 5e-4),
                strikes.s_mm[block] / 1e3,
                strikes.speed_m_s[block],
                strikes.mass_kg[block],
                strikes.contact_n_m15[block],
            )
            spectra, _ = struck_spectra(self.part, blows, self.hand)
            blocks.append(faded(np.fft.irfft(spectra)[:, LEAD_SAMPLES - LEAD :]))
        return np.concatenate(blocks)


def shell_part(surface: Surface, damages: tuple[Damage, ...], thickness_mm: float, seed: int) -> ShellPart:
    """Draw and solve a tube or cone by Sanders' shell."""
    assert surface.girth_mm is not None
    tube, hand = drawn(np.random.default_rng([seed, 2]))
    start, end = surface.girth_mm
    tube = replace(
        tube,
        length_m=surface.length_mm / 1e3,
        girth_m=(start / 1e3, end / 1e3),
        wall_m=thickness_mm / 1e3,
        seed=seed,
    )
    return ShellPart(coupled_modes(tube_modes(tube), _defects(damages)), hand)


@dataclass(frozen=True, slots=True, eq=False)
class BareModes:
    """The bare sum of modes of `tests.independent.modes`; its contact's length as Hertz's law has it."""

    surface: Surface
    tube: BareTube
    defects: tuple[Defect, ...]

    def sounds(self, strikes: Strikes) -> NDArray[np.float32]:
        """Sound of each tap."""
        sounds = np.zeros((strikes.x_mm.size, SAMPLES))
        lasts = (strikes.mass_kg / strikes.contact_n_m15) ** 0.4 * strikes.speed_m_s**-0.2
        lasts *= self.tube.contact_s / np.median(lasts)
        girth = self.surface.girth_at_mm(strikes.x_mm)
        stop = LEAD + round(BARE_TAP_S * RATE_HZ)
        for k, sound in enumerate(sounds):
            place, size = (strikes.x_mm[k], strikes.s_mm[k]), (self.surface.length_mm, girth[k])
            sound[LEAD:stop] = sound_at(self.tube, place, size, self.defects, lasts[k])
            sound *= strikes.speed_m_s[k] * strikes.mass_kg[k]
        return faded(sounds)


def bare_modes(surface: Surface, damages: tuple[Damage, ...], _thickness_mm: float, seed: int) -> BareModes:
    """Draw a tube of bare modes; its delaminations are round."""
    round_ones = [
        replace(d, radii_mm=(float(np.sqrt(np.prod(d.radii_mm))),) * 2, angle_rad=0.0) for d in damages
    ]
    return BareModes(surface, bare_tube(np.random.default_rng([seed, 77])), _defects(tuple(round_ones)))


@dataclass(frozen=True, slots=True, eq=False)
class DemoPart:
    """The simulator that tapscan itself carries."""

    zone: Zone
    stage: "synth._Stage" = field(repr=False)

    def sounds(self, strikes: Strikes) -> NDArray[np.float32]:
        """Sound of each tap; the tapper's mass enters as the contact spring that keeps its time."""
        zone, start = self.zone, round(synth.PRELUDE_S * RATE_HZ) - LEAD
        girth, pitch = float(girth_mm(zone).mean()), zone.station_pitch_mm
        station = np.clip(np.round(strikes.x_mm / pitch - 0.5), 0, zone.stations - 1).astype(int)
        position = np.round(strikes.s_mm / girth * zone.positions).astype(int) % zone.positions
        rigid_s = 2.943 * (1.25 * strikes.mass_kg / strikes.contact_n_m15) ** 0.4 * strikes.speed_m_s**-0.2
        spring = self.stage.scene.tapper_mass_g / 1e3 * (np.pi / rigid_s) ** 2
        loud = strikes.speed_m_s * strikes.mass_kg
        sounds = np.zeros((strikes.x_mm.size, SAMPLES), dtype=np.float32)
        for number in range(zone.stations):
            here = np.flatnonzero(station == number)
            if here.size == 0:
                continue
            turn = np.cumsum(position[here, None] == position[here], axis=0).diagonal() - 1  # of its point
            shape = (zone.positions, int(turn.max()) + 1)
            at = (position[here], turn)
            nothing = (np.zeros(shape) for _ in range(4))
            steady = np.zeros(shape), np.ones(shape)  # no tilt, the usual distance
            struck = synth._Strikes(*nothing, np.full(shape, spring.mean()), *steady)
            struck.off_x_mm[at] = strikes.x_mm[here] - (number + 0.5) * pitch
            struck.off_s_mm[at] = strikes.s_mm[here] - position[here] * girth / zone.positions
            struck.gain[at], struck.contact_n_m[at] = loud[here], spring[here]
            sounds[here] = faded(synth._pressure(self.stage, struck, number)[at][:, start:])
        return sounds


def demo_part(surface: Surface, damages: tuple[Damage, ...], thickness_mm: float, seed: int) -> DemoPart:
    """Draw a round tube of the demo's own simulator."""
    from tapscan.plan.text.reading import parse_plan

    assert surface.girth_mm is not None
    zone = parse_plan(
        f"""[[zone]]
code = "BM"
shape = "tube"
stations = {surface.stations}
positions = {surface.positions}
station_pitch_mm = {surface.station_pitch_mm}
girth_mm = {surface.girth_mm[0]}
thickness_mm = {thickness_mm}
modulus_gpa = 60.0
poisson = 0.3
density_kg_m3 = 1550.0
"""
    ).zones[0]
    defects = [SynthDefect(d.x_mm, d.s_mm, float(np.sqrt(np.prod(d.radii_mm))), d.depth_mm) for d in damages]
    scene = synth.TapScene(sample_rate_hz=float(RATE_HZ))
    return DemoPart(zone, synth._stage(zone, defects, scene, seed))


@dataclass(frozen=True, slots=True, eq=False)
class _Moved:
    """A panel whose own s begins at its edge, where the arena's begins at position 1, half a pitch inside."""

    part: Generator = field(repr=False)
    edge_mm: float

    def sounds(self, strikes: Strikes) -> NDArray[np.float32]:
        """Sound of each tap."""
        return self.part.sounds(replace(strikes, s_mm=strikes.s_mm + self.edge_mm))


def plate_part(surface: Surface, damages: tuple[Damage, ...], _thickness_mm: float, seed: int) -> Generator:
    """Draw a flat panel of finite-element modes."""
    edge = -surface.s_range_mm[0]
    part = plates.draw(
        np.random.default_rng([seed, 5]),
        stations=surface.stations,
        positions=surface.positions,
        pitch_mm=surface.station_pitch_mm,
        girth_mm=surface.width_mm,
        damages=[replace(d, s_mm=d.s_mm + edge) for d in damages],
    )
    return _Moved(part, edge)


def lattice_part(
    surface: Surface, damages: tuple[Damage, ...], thickness_mm: float, seed: int
) -> lattice.Lattice:
    """Draw a tube, taper or panel as a lattice of masses and springs, with sleeves, inserts and doublers."""
    return lattice.draw(surface, damages, thickness_mm, seed)


def diffuse_part(
    surface: Surface, damages: tuple[Damage, ...], thickness_mm: float, seed: int
) -> diffuse.Diffuse:
    """Draw a tube, taper or panel of random waves, its damage as echoes from the rim."""
    return diffuse.draw(surface, damages, thickness_mm, seed)


def odd_part(face: Face, damages: tuple[Damage, ...], _thickness_mm: float, seed: int) -> Generator:
    """Draw a plate with an odd outline of finite-element modes."""
    return plates.draw_odd(np.random.default_rng([seed, 7]), face.name, face.length_mm, damages)


def slapping_part(
    surface: Surface, damages: tuple[Damage, ...], _thickness_mm: float, seed: int
) -> Generator:
    """Draw a tube, taper or panel whose loose sheets open and close."""
    edge = -surface.s_range_mm[0]
    start, end = surface.girth_mm or (surface.width_mm,) * 2
    part = slapping.draw(
        np.random.default_rng([seed, 6]),
        stations=surface.stations,
        positions=surface.positions,
        pitch_mm=surface.station_pitch_mm,
        shape="panel" if surface.girth_mm is None else "tube" if start == end else "taper",
        girth_mm=(start, end),
        damages=[replace(d, s_mm=d.s_mm + edge) for d in damages],
    )
    return _Moved(part, edge)
