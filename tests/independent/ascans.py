"""Pulse-echo traces of a laminate as a lossy transmission line of plies and resin layers.

Every column of wall is a stack of plies with thin resin between; its reflection is folded up from the back,
one interface at a time, so that ply noise, multiples and shadowing come by themselves. The beam is a
weighted mean over the columns beneath it. Loss rises in proportion to frequency, with the speed change that
causality asks for. Shares nothing with the simulator that tapscan itself carries.
"""

from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from tests.independent.shell import Array, Defect

__all__ = ["AScanTruth", "Probe", "Wall", "ascan_inspection", "pulse_spectrum", "reflection"]

AIR_MRAYL = 413e-6
RESIN_M_S, RESIN_KG_M3 = 2550.0, 1220.0
ALUMINIUM_MRAYL = 17.0


@dataclass(frozen=True, slots=True)
class Wall:
    """The laminate; `thickness_mm` at the first and the last station."""

    thickness_mm: tuple[float, float] = (1.6, 1.6)
    ply_mm: float = 0.2
    resin_mm: float = 0.008
    resin_spread: float = 0.5
    ply_spread: float = 0.02
    velocity_m_s: float = 2950.0  # of the whole stack, which the plan states
    density_kg_m3: float = 1570.0
    loss_db_mm_mhz: float = 0.22
    insert_mm: tuple[float, float, float, float] | None = None  # x and s from, to: what is bonded beneath
    insert_mrayl: float = ALUMINIUM_MRAYL
    bond_mm: float = 0.15
    glue_stays: bool = False  # on the laminate, where the insert has come off


@dataclass(frozen=True, slots=True)
class Probe:
    """Transducer, couplant, instrument."""

    centre_mhz: float = 5.0
    rate_mhz: float = 100.0
    samples: int = 512
    front_us: float = 1.0
    front_drift_us: float = 0.5
    coupling_db: float = 3.0
    delay_mrayl: float = 3.15  # acrylic delay line; 1.48 is water
    beam_mm: float = 5.0
    noise_db: float = -46.0  # under the front-surface echo's peak
    bits: int = 10
    full_scale: float = 1.25  # of the loudest echo
    gain: float | None = None  # parts of full scale for one unit of sound, instead of `full_scale`
    narrower: float = 1.0  # the pulse's bandwidth over that of a sound probe


@dataclass(frozen=True, slots=True, eq=False)
class AScanTruth:
    """Arrays have shape (stations, positions); `depth_mm` is NaN where nothing is delaminated.

    A delamination runs along one interface here and along the next there: `beam_depths_mm` are the depths
    within half a beam of each point, (stations, positions, columns), NaN where there are fewer.
    """

    folder: Path
    defects: tuple[Defect, ...]
    is_delaminated: np.ndarray
    rim_mm: np.ndarray
    depth_mm: np.ndarray
    beam_depths_mm: np.ndarray
    thickness_mm: np.ndarray
    x_mm: np.ndarray
    s_mm: np.ndarray


def pulse_spectrum(frequency_mhz: Array, centre_mhz: float) -> Array:
    """Spectrum of a pulse that rises fast, rings on, glides down in pitch and comes back from the backing."""
    time = np.arange(2048) / 200.0  # µs
    cycles = time * centre_mhz
    body = (
        cycles**1.6 * np.exp(-cycles / 0.55) * np.cos(2 * np.pi * (1.06 * cycles - 0.012 * cycles**2) + 0.7)
    )
    tail = np.where(cycles > 2.2, np.maximum(cycles - 2.2, 0) * np.exp(-(cycles - 2.2) / 0.7), 0)
    body += 0.05 * tail * np.cos(2 * np.pi * 0.86 * cycles + 2.0)
    body = np.gradient(body)  # no transducer sends a constant pressure; causal as the rest
    spectrum = np.exp(-2j * np.pi * np.outer(frequency_mhz, time)) @ body
    fade = np.clip((2.4 - frequency_mhz / centre_mhz) / 0.5, 0, 1)
    return spectrum / np.abs(body).max() * fade**2 * (3 - 2 * fade)


@dataclass(frozen=True, slots=True, eq=False)
class _Passage:
    """exp(-2jkd) of a layer there and back: loss in proportion to frequency, and the dispersion it causes.

    The wavenumber is k = 2πf(1/c - a/π² ln(f/f₀)) - jaf with the loss a in neper per mm and MHz. All but the
    logarithm is linear in f, and so a geometric series over even bins, doubled until it is long enough.
    The logarithm's part is small and differs little from column to column: a Taylor series to rounding.
    """

    per_mhz: NDArray[np.complex128]  # (columns, 1)
    powers: Array  # (columns, terms) of what a column's thickness is off the middle
    terms: Array  # (terms, 2 bins), real and imaginary parts side by side

    def at(self, rows: slice, frequency_mhz: Array) -> NDArray[np.complex128]:
        """The factor (columns, bins) of these columns."""
        bins = frequency_mhz.size
        step_mhz = (frequency_mhz[-1] - frequency_mhz[0]) / (bins - 1)
        doublings = 1 << np.arange((bins - 1).bit_length())
        ratios = np.exp(self.per_mhz[rows] * np.append(frequency_mhz[0], step_mhz * doublings))
        series = np.empty((len(ratios), bins), dtype=complex)
        series[:, 0] = ratios[:, 0]
        for number, done in enumerate(doublings, 1):
            more = series[:, done : 2 * done]
            np.multiply(series[:, : more.shape[1]], ratios[:, number, None], out=more)
        series *= (self.powers[rows] @ self.terms).view(complex)
        return series


def _passage(
    thickness_mm: Array, speed_m_s: Array, frequency_mhz: Array, loss: tuple[float, float]
) -> _Passage:
    """`loss`: dB per mm and MHz, and the frequency in MHz at which the speed is what is given."""
    neper_mm_mhz, centre_mhz = loss[0] / 8.685890, loss[1]
    turn_mm = 4 * neper_mm_mhz / np.pi * frequency_mhz * np.log(np.maximum(frequency_mhz, 1e-3) / centre_mhz)
    middle = (thickness_mm.max() + thickness_mm.min()) / 2
    off, terms = thickness_mm - middle, [np.exp(1j * middle * turn_mm)]
    widest, size = np.abs(off).max() * np.abs(turn_mm).max(), 1.0
    while (size := size * widest / len(terms)) > 1e-16:
        terms.append(terms[-1] * (1j / len(terms) * turn_mm))
    return _Passage(
        (-2 * thickness_mm * (2e3j * np.pi / speed_m_s + neper_mm_mhz))[:, None],
        np.vander(off, len(terms), increasing=True),
        np.array(terms).view(float),
    )


def reflection(
    layers: list[tuple[Array, Array, Array]],
    back_mrayl: Array,
    delay_mrayl: float,
    frequency_mhz: Array,
    probe: Probe,
    wall: Wall,
) -> Array:
    """Reflection (columns, bins) of a stack seen from the delay line; the bins are evenly spaced.

    `layers` from front to back: thickness mm, speed m/s, impedance MRayl, each (columns,). Kept as numerator
    and denominator, so that only the whole stack needs a division; real and imaginary parts side by side.
    """
    loss = wall.loss_db_mm_mhz, probe.centre_mhz
    passages = [_passage(thickness, speed, frequency_mhz, loss) for thickness, speed, _ in reversed(layers)]
    faces = [back_mrayl, *(mrayl for *_, mrayl in reversed(layers)), np.full(back_mrayl.size, delay_mrayl)]
    steps = [(behind - here) / (behind + here) for behind, here in pairwise(faces)]
    result = np.empty((back_mrayl.size, frequency_mhz.size), dtype=complex)
    for start in range(0, back_mrayl.size, 64):  # what the processor's cache holds
        rows = slice(start, start + 64)
        over, under = (np.full(result[rows].shape, c, dtype=complex) for c in (0, 1))
        for passage, step in zip(passages, steps, strict=False):
            over, under = _stepped(over, under, step[rows])
            over *= passage.at(rows, frequency_mhz)
        over, under = _stepped(over, under, steps[-1][rows])
        result[rows] = over / under
    return result


def _stepped(over: Array, under: Array, step: Array) -> tuple[Array, Array]:
    """Numerator and denominator of (step + r) / (1 + step r) for r = over / under, which are used up."""
    over, under, step = over.view(float), under.view(float), step[:, None]
    stepped = step * under
    stepped += over
    over *= step
    under += over
    return stepped.view(complex), under.view(complex)


def _smooth(shape: tuple[int, int], cells: float, rng: np.random.Generator) -> Array:
    """A smooth random field of unit spread, seamless in the second direction."""
    field = gaussian_filter(rng.normal(size=shape), cells, mode=("reflect", "wrap"))
    return field / field.std()


def _stack(
    wall: Wall, thickness_mm: Array, cut_mm: Array, cells: float, rng: np.random.Generator
) -> tuple[list[tuple[Array, Array, Array]], Array]:
    """Layers of every column and the depth of the interface nearest to `cut_mm`, NaN where none is cut.

    The ply speed is chosen so that plies and resin together have the wall's velocity. An air gap replaces the
    resin that ends nearest to the cut: a delamination runs between plies.
    """
    shape = thickness_mm.shape
    plies = round(wall.thickness_mm[0] / wall.ply_mm)
    resin = [
        wall.resin_mm * np.exp(wall.resin_spread * _smooth(shape, cells, rng) - wall.resin_spread**2 / 2)
        for _ in range(plies - 1)
    ]
    share = [1 + wall.ply_spread * _smooth(shape, cells, rng) for _ in range(plies)]
    scale = (thickness_mm - sum(resin)) / sum(share)
    ply = [s * scale for s in share]
    ply_slowness = (thickness_mm / wall.velocity_m_s - sum(resin) / RESIN_M_S) / (thickness_mm - sum(resin))
    speed = (1 / ply_slowness).ravel()
    resin_speed = np.full(speed.size, RESIN_M_S)
    resin_mrayl = np.full(speed.size, RESIN_M_S * RESIN_KG_M3 / 1e6)
    ends = np.cumsum([p + (resin[i] if i < plies - 1 else 0) for i, p in enumerate(ply)], axis=0)
    gap_at = np.argmin(np.abs(ends[:-1] - np.nan_to_num(cut_mm, nan=0)), axis=0)
    is_cut = np.isfinite(cut_mm)
    cut_depth = np.where(
        is_cut, np.take_along_axis(ends - np.array([*resin, 0 * resin[0]]), gap_at[None], 0)[0], np.nan
    )
    layers = []
    for i in range(plies):
        impedance = speed * wall.density_kg_m3 * (1 + 0.006 * _smooth(shape, cells, rng).ravel()) / 1e6
        layers.append((ply[i].ravel(), speed, impedance))
        if i < plies - 1:
            is_gap = (is_cut & (gap_at == i)).ravel()
            layers.append(
                (
                    np.where(is_gap, 0.01, resin[i].ravel()),
                    np.where(is_gap, 343.0, resin_speed),
                    np.where(is_gap, AIR_MRAYL, resin_mrayl),
                )
            )
    return layers, cut_depth


def ascan_inspection(
    folder: str | Path,
    *,
    defects: tuple[Defect, ...],
    seed: int,
    stations: int = 40,
    positions: int = 24,
    pitch_mm: float = 4.0,
    girth_mm: float | None = None,
    wall: Wall | None = None,
    probe: Probe | None = None,
    disbonds: tuple[Defect, ...] = (),
) -> AScanTruth:
    """Write an A-scan inspection of a panel (or of a tube, when `girth_mm` is given) and return the truth.

    `disbonds` matter inside the wall's insert only; their depth is the wall's thickness, and the truth counts
    them among the defects. The plan says which points have the insert behind them. Equal seeds give equal
    files.
    """
    folder, wall, probe = Path(folder), wall or Wall(), probe or Probe()
    rng = np.random.default_rng([seed, 3])
    pitch_s_mm = girth_mm / positions if girth_mm else pitch_mm
    fine = max(2, int(np.ceil(max(pitch_mm, pitch_s_mm) / 1.25)))
    pad = int(np.ceil(probe.beam_mm / min(pitch_mm, pitch_s_mm))) if not girth_mm else 0
    x = (np.arange(stations * fine) + 0.5) * pitch_mm / fine
    s = (np.arange((positions + 2 * pad) * fine) + 0.5) * pitch_s_mm / fine - (pad + 0.5) * pitch_s_mm
    grid_x, grid_s = np.meshgrid(x, s, indexing="ij")
    span = stations * pitch_mm
    thick = wall.thickness_mm[0] + (wall.thickness_mm[1] - wall.thickness_mm[0]) * grid_x / span
    cut = _cut_mm(grid_x, grid_s, girth_mm, defects)
    layers, depth = _stack(wall, thick, cut, 3.0 / pitch_mm * fine, rng)
    spectrum, frequency = _columns(layers, _behind(wall, grid_x, grid_s, girth_mm, disbonds), wall, probe)
    point_x, point_s = (np.arange(stations) + 0.5) * pitch_mm, np.arange(positions) * pitch_s_mm
    seen = _beam(spectrum.reshape(*grid_x.shape, -1), (x, s), (point_x, point_s), probe.beam_mm, girth_mm)
    traces = _traces(seen, frequency, probe, rng)
    at_x, at_s = np.meshgrid(point_x, point_s, indexing="ij")
    bonded = _over_insert(wall, at_x, at_s, girth_mm)
    _save(folder, traces, wall, probe, (stations, positions, pitch_mm, pitch_s_mm), girth_mm, bonded)
    rim = _rim_mm(at_x, at_s, girth_mm, defects + disbonds)
    i, p = np.abs(x[:, None] - point_x).argmin(0), np.abs(s[:, None] - point_s).argmin(0)
    true_depth = np.where(rim < 0, depth[np.ix_(i, p)], np.nan)
    beam_depths = _depths_near(depth, (x, s), (at_x, at_s), probe.beam_mm / 2, girth_mm)
    thickness = thick[np.ix_(i, p)]
    return AScanTruth(
        folder, defects + disbonds, rim < 0, rim, true_depth, beam_depths, thickness, at_x, at_s
    )


def _depths_near(
    depth_mm: Array,
    axes_mm: tuple[Array, Array],
    points_mm: tuple[Array, Array],
    reach_mm: float,
    girth_mm: float | None,
) -> Array:
    """Depths of all cut columns within reach of each point, (*points, most), NaN-padded."""
    i, j = np.nonzero(np.isfinite(depth_mm))
    x, s, depth = axes_mm[0][i], axes_mm[1][j], depth_mm[i, j]
    near = [
        np.unique(depth[np.hypot(x - px, _around_mm(s, ps, girth_mm)) <= reach_mm])
        for px, ps in zip(points_mm[0].ravel(), points_mm[1].ravel(), strict=True)
    ]
    out = np.full((len(near), max(1, *(len(one) for one in near))), np.nan)
    for row, one in zip(out, near, strict=True):
        row[: len(one)] = one
    return out.reshape(*points_mm[0].shape, -1)


def _around_mm(s_mm: Array, centre_mm: float, girth_mm: float | None) -> Array:
    ds = s_mm - centre_mm
    return (ds + girth_mm / 2) % girth_mm - girth_mm / 2 if girth_mm else ds


def _rim_mm(x_mm: Array, s_mm: Array, girth_mm: float | None, defects: tuple[Defect, ...]) -> Array:
    """Distance from the nearest rim along the ray from its centre, negative inside."""
    nearest = np.full(x_mm.shape, np.inf)
    for d in defects:
        dx, ds = x_mm - d.x_mm, _around_mm(s_mm, d.s_mm, girth_mm)
        relative = np.maximum(np.hypot(dx / d.radii_mm[0], ds / d.radii_mm[1]), 1e-6)
        reach = np.maximum(np.hypot(dx, ds), 1e-6 * d.radius_mm)
        nearest = np.minimum(nearest, reach * (1 - 1 / relative))
    return nearest


def _cut_mm(x_mm: Array, s_mm: Array, girth_mm: float | None, defects: tuple[Defect, ...]) -> Array:
    cut = np.full(x_mm.shape, np.nan)
    for d in defects:
        cut[_rim_mm(x_mm, s_mm, girth_mm, (d,)) < 0] = d.depth_mm
    return cut


def _behind(
    wall: Wall, x_mm: Array, s_mm: Array, girth_mm: float | None, disbonds: tuple[Defect, ...]
) -> tuple[Array, Array]:
    """Whether a column has glue behind it, and the impedance behind everything."""
    over = _over_insert(wall, x_mm, s_mm, girth_mm)
    bonded = over & ~(_rim_mm(x_mm, s_mm, girth_mm, disbonds) < 0)
    glued = over if wall.glue_stays else bonded
    return glued.ravel(), np.where(bonded, wall.insert_mrayl, AIR_MRAYL).ravel()


def _over_insert(wall: Wall, x_mm: Array, s_mm: Array, girth_mm: float | None) -> np.ndarray:
    if not wall.insert_mm:
        return np.zeros(x_mm.shape, dtype=bool)
    x_lo, x_hi, s_lo, s_hi = wall.insert_mm
    around = (s_mm - s_lo) % girth_mm + s_lo if girth_mm else s_mm
    return (x_mm >= x_lo) & (x_mm < x_hi) & (around >= s_lo) & (around < s_hi)


def _columns(
    layers: list[tuple[Array, Array, Array]], behind: tuple[Array, Array], wall: Wall, probe: Probe
) -> tuple[Array, Array]:
    """Reflection of every column in the probe's band, and the frequencies in MHz of those bins."""
    glued, back = behind
    # Under a column without glue its layer is of air like the rest: nothing comes through.
    layers = [
        *layers,
        (
            np.where(glued, wall.bond_mm, 0.01),
            np.where(glued, RESIN_M_S, 343.0),
            np.where(glued, RESIN_M_S * RESIN_KG_M3 / 1e6, AIR_MRAYL),
        ),
    ]
    frequency = np.fft.rfftfreq(2048, 1 / probe.rate_mhz)
    frequency = frequency[(frequency > 0.02 * probe.centre_mhz) & (frequency < 2.4 * probe.centre_mhz)]
    fields = reflection(layers, back, probe.delay_mrayl, frequency, probe, wall)
    return fields.astype(np.complex64), frequency


def _beam(
    fields: Array,
    grid: tuple[Array, Array],
    points: tuple[Array, Array],
    beam_mm: float,
    girth_mm: float | None,
) -> Array:
    """Weighted mean of the columns within the beam of each point, (stations, positions, bins)."""
    (x, s), (point_x, point_s) = grid, points
    radius = 0.924 * beam_mm  # the weight (1 - (r/R)²)² is at a half, -6 dB, at r = 0.541 R
    seen = np.zeros((point_x.size, point_s.size, fields.shape[2]), dtype=np.complex64)
    for i, px in enumerate(point_x):
        rows = np.flatnonzero(np.abs(x - px) < radius)
        for p, ps in enumerate(point_s):
            ds = _around_mm(s, ps, girth_mm)
            columns = np.flatnonzero(np.abs(ds) < radius)
            reach = ((x[rows] - px) ** 2)[:, None] + (ds[columns] ** 2)[None]
            weight = np.maximum(1 - reach / radius**2, 0) ** 2
            seen[i, p] = np.tensordot(weight, fields[np.ix_(rows, columns)], ((0, 1), (0, 1))) / weight.sum()
    return seen


def _traces(seen: Array, frequency_mhz: Array, probe: Probe, rng: np.random.Generator) -> Array:
    """Pulse, coupling, moving front surface, noise and the instrument's steps: whole numbers."""
    shape = seen.shape[:2]
    total = 2048
    front = probe.front_us + probe.front_drift_us * np.clip(_smooth(shape, 4, rng) / 2, -1, 1)
    front += rng.uniform(-0.02, 0.02, shape)
    gain = 10 ** (probe.coupling_db * np.clip(0.5 * _smooth(shape, 1.5, rng), -1, 1) / 20)
    delay = np.exp(-2j * np.pi * front[..., None] * frequency_mhz)
    system = _narrowed(pulse_spectrum(frequency_mhz, probe.centre_mhz), frequency_mhz, probe.narrower)
    whole = np.zeros((*shape, total // 2 + 1), dtype=complex)
    first = round(frequency_mhz[0] * total / probe.rate_mhz)
    whole[..., first : first + frequency_mhz.size] = seen * delay * system * gain[..., None]
    traces = np.fft.irfft(whole, total)[..., : probe.samples]
    peak = np.abs(traces).max(axis=-1)
    noise = np.fft.irfft(np.fft.rfft(rng.normal(size=traces.shape)) * _noise_band(probe), probe.samples)
    traces += noise / noise.std() * np.median(peak) * 10 ** (probe.noise_db / 20)
    steps = 2 ** (probe.bits - 1)
    gain = 1 / (probe.full_scale * np.quantile(peak, 0.999)) if probe.gain is None else probe.gain
    scaled = traces * gain * steps
    return np.clip(np.round(scaled), -steps, steps - 1).astype(np.int16)


def _narrowed(system: Array, frequency_mhz: Array, narrower: float) -> Array:
    """A pulse whose -6 dB bandwidth is `narrower` times as wide, its highest note as strong."""
    if narrower >= 1:
        return system
    size = np.abs(system)
    inside = frequency_mhz[size >= size.max() / 2]
    centre, half = (inside.max() + inside.min()) / 2, (inside.max() - inside.min()) / 2
    # Of Gaussian bands in a row the inverse squares of the widths add up.
    half *= narrower / np.sqrt(1 - narrower**2)
    return system * 0.5 ** (((frequency_mhz - centre) / half) ** 2)


def _noise_band(probe: Probe) -> Array:
    frequency = np.fft.rfftfreq(probe.samples, 1 / probe.rate_mhz)
    return 1 / (1 + (frequency / 15) ** 4)


def _save(
    folder: Path,
    traces: Array,
    wall: Wall,
    probe: Probe,
    grid: tuple[int, int, float, float],
    girth_mm: float | None,
    bonded: np.ndarray,
) -> None:
    stations, positions, pitch_mm, pitch_s_mm = grid
    shape = (
        f'shape = "tube"\ngirth_mm = {girth_mm}'
        if girth_mm
        else f'shape = "panel"\nposition_pitch_mm = {pitch_s_mm}'
    )
    (folder / "ascans").mkdir(parents=True, exist_ok=True)
    np.save(folder / "ascans" / "BM.npy", traces)
    text = f"""[laminate]
thickness_mm = {sum(wall.thickness_mm) / 2:.6g}
velocity_m_s = {wall.velocity_m_s}

[[zone]]
code = "BM"
{shape}
stations = {stations}
positions = {positions}
station_pitch_mm = {pitch_mm}
bonded = {[f"{i + 1:02d}-{p + 1:02d}" for i, p in np.argwhere(bonded)]}

[ascan]
sample_rate_mhz = {probe.rate_mhz}
centre_frequency_mhz = {probe.centre_mhz}
"""
    (folder / "inspection.toml").write_text(text, encoding="utf-8")


def drawn(seed: int) -> tuple[Wall, Probe]:
    """A wall and a probe as one may meet them."""
    rng = np.random.default_rng([seed, 4])
    thickness = rng.choice([1.6, 2.0, 2.4, 3.2, 4.0])
    ramp = rng.choice([1.0, rng.uniform(0.88, 1.12)])
    wall = Wall(
        thickness_mm=(thickness, thickness * ramp),
        resin_mm=rng.uniform(0.005, 0.011),
        loss_db_mm_mhz=rng.uniform(0.12, 0.28),
    )
    probe = Probe(
        delay_mrayl=rng.choice([1.48, 3.15]),
        bits=int(rng.choice([8, 10, 12])),
        noise_db=rng.uniform(-52, -42),
        beam_mm=rng.uniform(4, 6),
    )
    return wall, replace(probe)
