"""A second, simple simulator of scanned panels: single echoes added up in the frequency domain.

Every column of wall returns the front surface's echo, a little from every ply, and the echo of what reflects
all: the back wall, or a delamination, with their round trips. Loss rises in proportion to frequency. The beam
is a Gaussian mean over the columns beneath it. Walls may be of any thickness at every point, which is what
this simulator is for. Shares nothing with the one in `ascans` nor with tapscan's own.
"""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.ndimage import gaussian_filter, gaussian_filter1d

from tests.independent.shell import Array, Defect

__all__ = ["Panel", "Scanned", "cut", "scanned", "written"]

VELOCITY_M_S = 2950.0
# Reflection at the front surface: (Z - Zc) / (Z + Zc) with 4.63 MRayl for the laminate (1570 kg/m3).
FRONT = {"delay": (4.63 - 3.15) / (4.63 + 3.15), "water": (4.63 - 1.48) / (4.63 + 1.48), "contact": 0.6}


@dataclass(frozen=True, slots=True)
class Panel:
    """A wall, a probe and a grid. `thickness_mm` takes x and s in mm and gives the wall there."""

    thickness_mm: Callable[[Array, Array], Array] = lambda x, _s: np.full(x.shape, 1.6)
    nominal_mm: float = 1.6
    defects: tuple[Defect, ...] = ()
    stations: int = 120
    positions: int = 80
    pitch_mm: float = 1.0
    is_tube: bool = False
    centre_mhz: float = 5.0
    coupling: str = "delay"
    beam_mm: float = 3.0
    noise_db: float = -36.0  # under the front-surface echo's peak
    loss_db: float = 2.0  # of the nominal wall, there and back, at the centre frequency
    ply_mm: float = 0.2
    ply_echo: float = 0.02
    insert: tuple[float, float, float, float] | None = None  # x and s from, to: what the plan says is bonded
    insert_mrayl: float = 17.0
    lost: float = 0.0  # share of traces missing, and as many dead
    columns: int | None = None  # of wall along a pitch; None takes four in a beam

    @property
    def rate_mhz(self) -> float:
        return 100.0 if self.centre_mhz <= 5 else 200.0


@dataclass(frozen=True, slots=True, eq=False)
class Scanned:
    """Traces (stations, positions, samples) and what is true at each point, (stations, positions)."""

    panel: Panel
    traces: Array
    x_mm: Array
    s_mm: Array
    thickness_mm: Array
    rim_mm: Array
    depth_mm: Array


def scanned(panel: Panel, seed: int) -> Scanned:
    """Scan a panel; equal seeds give equal traces."""
    rng = np.random.default_rng([seed, 91])
    fine = panel.columns or int(np.ceil(panel.pitch_mm / max(panel.beam_mm / 4, 0.5)))
    pad = 0 if panel.is_tube else int(np.ceil(panel.beam_mm / panel.pitch_mm))
    rows, columns = (panel.stations + 2 * pad) * fine, (panel.positions + 2 * pad) * fine
    x = ((np.arange(rows) + 0.5) / fine - pad) * panel.pitch_mm
    s = ((np.arange(columns) + 0.5) / fine - pad - 0.5) * panel.pitch_mm
    grid_x, grid_s = np.meshgrid(x, s, indexing="ij")
    frequency = np.fft.rfftfreq(2048, 1 / panel.rate_mhz)
    band = (frequency > 0.1 * panel.centre_mhz) & (frequency < 2.1 * panel.centre_mhz)
    fields = _columns(panel, grid_x, grid_s, frequency[band], rng)
    sigma = panel.beam_mm / 2.355 / panel.pitch_mm * fine
    mode = ("nearest", "wrap" if panel.is_tube else "nearest")
    for axis in (0, 1):
        fields = gaussian_filter1d(fields, sigma, axis=axis, mode=mode[axis])
    keep = slice(pad * fine + fine // 2, rows - pad * fine, fine)
    across = slice(pad * fine + fine // 2, columns - pad * fine, fine)
    fields, point_x, point_s = fields[keep, across], grid_x[keep, across], grid_s[keep, across]
    traces = _traces(panel, fields, frequency, band, rng)
    thick = panel.thickness_mm(point_x, point_s)
    rim, depth = cut(panel, point_x, point_s)
    return Scanned(panel, traces, point_x, point_s, thick, rim, np.where(depth < thick, depth, np.nan))


def _around(panel: Panel, s: Array, centre: float) -> Array:
    girth = panel.positions * panel.pitch_mm
    return (s - centre + girth / 2) % girth - girth / 2 if panel.is_tube else s - centre


def cut(panel: Panel, x: Array, s: Array) -> tuple[Array, Array]:
    """Distance from the nearest rim, negative inside, and the depth of the delamination there, else NaN."""
    rim, depth = np.full(x.shape, np.inf), np.full(x.shape, np.nan)
    for d in panel.defects:
        along, across = d.radii_mm
        share = np.hypot((x - d.x_mm) / along, _around(panel, s, d.s_mm) / across)
        here = (share - 1) * min(along, across)
        depth[here < 0] = d.depth_mm
        rim = np.minimum(rim, here)
    return rim, depth


def _columns(panel: Panel, x: Array, s: Array, f: Array, rng: np.random.Generator) -> Array:
    """What each column returns, (rows, columns, bins)."""
    front = FRONT[panel.coupling]
    inner = FRONT["delay"] if panel.coupling == "contact" else front
    thick = panel.thickness_mm(x, s)
    _, depth = cut(panel, x, s)
    reach = np.fmin(depth, thick)
    back = np.where(np.isfinite(depth), -1.0, _behind(panel, x, s))
    neper = panel.loss_db / 8.686 / panel.nominal_mm / panel.centre_mhz  # per mm of wall and MHz
    slow = 2e3 / VELOCITY_M_S  # µs per mm of wall, there and back

    def echo(depth_mm: Array, size: Array) -> Array:
        way = np.exp(-(2j * np.pi * slow + neper) * depth_mm[..., None] * f)
        return np.asarray(size[..., None] * way, dtype=np.complex64)

    total = np.full((*x.shape, f.size), front, dtype=np.complex64)
    through = 1 - inner**2
    for trip in range(1, 6):
        total += echo(trip * reach, through * back * (-inner * back) ** (trip - 1))
    smooth = 2.0 / (x[1, 0] - x[0, 0])
    for ply in range(1, round(panel.nominal_mm / panel.ply_mm)):
        at = ply * panel.ply_mm * thick / panel.nominal_mm
        field = gaussian_filter(rng.normal(size=x.shape), smooth, mode=("reflect", "wrap"))
        size = panel.ply_echo * through * (1 + 0.5 * field / max(field.std(), 1e-9))
        total += 1j * f / panel.centre_mhz * echo(at, np.where(at < reach, size, 0.0))
    return total


def _behind(panel: Panel, x: Array, s: Array) -> Array:
    back = np.full(x.shape, -1.0)
    if panel.insert is not None:
        lo, hi, left, right = panel.insert
        over = (x >= lo) & (x < hi) & (s >= left) & (s < right)
        back[over] = (panel.insert_mrayl - 4.63) / (panel.insert_mrayl + 4.63)
    return back


def _traces(panel: Panel, fields: Array, frequency: Array, band: Array, rng: np.random.Generator) -> Array:
    """Pulse, coupling, moving front surface, noise: single precision."""
    shape = fields.shape[:2]
    f, centre, total = frequency[band], panel.centre_mhz, 2048
    pulse = np.exp(-(((f - centre) / (0.38 * centre)) ** 2) + 0.6j - 1.2j * ((f - centre) / centre) ** 2)
    drift = gaussian_filter(rng.normal(size=shape), 12, mode=("reflect", "wrap"))
    late = 4.0 / centre + (0.0 if panel.coupling == "contact" else 0.15) * drift / max(drift.std(), 1e-9)
    late = np.maximum(late, 3.0 / centre) + rng.uniform(-0.01, 0.01, shape)
    gain = gaussian_filter(rng.normal(size=shape), 3, mode=("reflect", "wrap"))
    gain = 10 ** (1.0 * np.clip(gain / max(gain.std(), 1e-9), -2, 2) / 20)
    spectrum = np.zeros((*shape, total // 2 + 1), dtype=np.complex64)
    spectrum[..., band] = fields * (pulse * np.exp(-2j * np.pi * f * late[..., None])) * gain[..., None]
    clean = np.fft.irfft(spectrum, total)
    samples = int(panel.rate_mhz * (5.0 / centre + 1.0 + 2.6e3 * panel.nominal_mm / VELOCITY_M_S * 1.5))
    alone = np.zeros(total // 2 + 1, dtype=complex)
    alone[band] = FRONT[panel.coupling] * pulse * np.exp(-2j * np.pi * f * 4.0 / centre)
    crest = np.abs(np.fft.irfft(alone, total)).max()
    noise = np.fft.irfft(
        np.fft.rfft(rng.normal(size=(*shape, samples))) * _noise_band(panel, samples), samples
    )
    level = crest * 10 ** (panel.noise_db / 20)
    traces = (clean[..., :samples] + noise / noise.std() * level).astype(np.float32)
    if panel.lost:
        which = rng.random(shape)
        traces[which < panel.lost] = np.nan
        traces[which > 1 - panel.lost] = 0.0
    return traces


def _noise_band(panel: Panel, samples: int) -> Array:
    return 1 / (1 + (np.fft.rfftfreq(samples, 1 / panel.rate_mhz) / (2.5 * panel.centre_mhz)) ** 4)


def written(scan: Scanned, folder: Path) -> None:
    """Write the scan as an inspection."""
    panel = scan.panel
    girth = panel.positions * panel.pitch_mm
    across = f"position_pitch_mm = {panel.pitch_mm}"
    shape = f'shape = "tube"\ngirth_mm = {girth}' if panel.is_tube else f'shape = "panel"\n{across}'
    bonded = ""
    if panel.insert is not None:
        lo, hi, left, right = panel.insert
        at = np.argwhere((scan.x_mm >= lo) & (scan.x_mm < hi) & (scan.s_mm >= left) & (scan.s_mm < right))
        first, last = at.min(axis=0) + 1, at.max(axis=0) + 1
        bonded = f'bonded = ["{first[0]:02d}-{first[1]:02d}:{last[0]:02d}-{last[1]:02d}"]'
    (folder / "ascans").mkdir(parents=True)
    np.save(folder / "ascans" / "BM.npy", scan.traces)
    (folder / "inspection.toml").write_text(
        f"""[laminate]
thickness_mm = {panel.nominal_mm}
velocity_m_s = {VELOCITY_M_S}
[[zone]]
code = "BM"
{shape}
stations = {panel.stations}
positions = {panel.positions}
station_pitch_mm = {panel.pitch_mm}
{bonded}
[ascan]
sample_rate_mhz = {panel.rate_mhz}
centre_frequency_mhz = {panel.centre_mhz}
""",
        encoding="utf-8",
    )
