"""One point seen close: its numbers, its spectrum over what is expected, its A-scan; sections and slices.

Everything is taken from the analysis or cut out of the traces that it looked at.
"""

from typing import TYPE_CHECKING, Any

import numpy as np

from tapscan.desk.views.documents import layer_document
from tapscan.errors import TapscanError
from tapscan.plan import Point, s_mm, x_mm
from tapscan.report.maps.layers import Layer
from tapscan.report.pages.evidence import decided_by, window_us
from tapscan.screening.results import CLEAR, AScanEvidence, Screened, TapEvidence

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tapscan.plan import Zone

    Floats = NDArray[np.float64]

__all__ = [
    "at_of",
    "mm_per_us",
    "nearest_clear",
    "point_document",
    "section_document",
    "slice_document",
    "thinned",
    "typical_point",
]

_MOST_SAMPLES, _MOST_TRACES = 400, 400  # of a section: as much as a screen shows
_MOST_TRACE_SAMPLES = 4000
_GATE_SHARE = 0.06  # thickness of a slice, as a share of the wall
_GRID_LEVELS = 255
# The strongest and the weakest colour of a slice, in dB against the front-surface echo.
_SLICE_HIGH_DB, _SLICE_LOW_DB = 0.0, -36.0


def at_of(zone: "Zone", point: Point) -> tuple[int, int]:
    """Return a point's place in the zone's arrays.

    Raises
    ------
    TapscanError
        When the point is outside the zone.
    """
    if not (1 <= point.station <= zone.stations and 1 <= point.position <= zone.positions):
        raise TapscanError(str(point), f"is not a point of zone {zone.code}", "choose a point on the map")
    return point.station - 1, point.position - 1


def point_document(screened: Screened, point: Point) -> dict[str, Any]:
    """Give all that the analysis knows of one point."""
    zone, at = screened.zone, at_of(screened.zone, point)
    status = str(screened.status[at])
    typical = typical_point(screened)
    neighbour = nearest_clear(screened, point)
    return {
        "point": str(point),
        "method": screened.method,
        "status": status,
        "reason": str(screened.reason[at]),
        "score": float(screened.score[at]),
        "p_value": float(screened.p_value[at]),
        "is_reference": bool(screened.is_reference[at]),
        "x_mm": float(x_mm(zone)[at]),
        "s_mm": float(s_mm(zone)[at]),
        "features": {name: float(values[at]) for name, values in screened.features.items()},
        "indication": next((one.id for one in screened.indications if str(point) in one.points), None),
        "neighbour": None if neighbour is None else str(neighbour),
        "typical": None if typical is None or typical == point else str(typical),
        **_evidence(screened, at),
    }


def _evidence(screened: Screened, at: tuple[int, int]) -> dict[str, Any]:
    evidence = screened.evidence
    if isinstance(evidence, TapEvidence):
        if not np.isfinite(evidence.spectrum_db[at]).any():
            return {}
        # Where a twin decided, it is the twin that lets expect.
        twin = decided_by(evidence, at)
        return {
            "spectrum": {
                "band_hz": evidence.band_hz,
                "reading_db": evidence.spectrum_db[at],
                "expected_db": (twin or evidence).expected_db[at],
                "spread_db": (twin or evidence).spread_db[at],
                "twin": None if twin is None else {"source": twin.source, "level_db": twin.spectrum_db[at]},
            }
        }
    trace = np.asarray(evidence.traces[at], dtype=float)
    return {"trace": _trace(evidence, screened.zone, at, trace)} if np.isfinite(trace).any() else {}


def _trace(evidence: AScanEvidence, zone: "Zone", at: tuple[int, int], trace: "Floats") -> dict[str, Any]:
    low_us, high_us = window_us(evidence, at)
    per_us = evidence.sample_rate_hz * 1e-6
    first, last = int(low_us * per_us), min(int(np.ceil(high_us * per_us)) + 1, trace.size)
    last = min(last, first + _MOST_TRACE_SAMPLES)
    return {
        "first_us": first / per_us,
        "step_us": 1 / per_us,
        "reading": trace[first:last],
        "typical": evidence.typical_trace[first:last],
        "front_us": float(evidence.front_us[at]),
        "echo_us": float(evidence.echo_us[at]),
        "backwall_us": float(evidence.backwall_us[at]),
        "mm_per_us": mm_per_us(zone),
    }


def mm_per_us(zone: "Zone") -> float | None:
    """Depth for each microsecond, there and back; None where the plan gives no velocity."""
    velocity = zone.laminate.velocity_m_s
    return None if velocity is None else velocity / 2000.0


def section_document(screened: Screened, point: Point, along: str) -> dict[str, Any]:
    """Cut a B-scan through a point, along the stations or along the positions: strong signal high.

    `levels` are rows of time, each from 0 to 255, of which every trace is one column; -1 where there is none.

    Raises
    ------
    TapscanError
        When the zone has no A-scans there.
    """
    evidence, at = screened.evidence, at_of(screened.zone, point)
    if not isinstance(evidence, AScanEvidence):
        raise TapscanError(str(point), "has no A-scan", "choose a zone that was scanned")
    low_us, high_us = window_us(evidence, at)
    per_us = evidence.sample_rate_hz * 1e-6
    first, last = int(low_us * per_us), int(np.ceil(high_us * per_us)) + 1
    row = (
        evidence.traces[:, at[1], first:last] if along == "station" else evidence.traces[at[0], :, first:last]
    )
    # Thinned to what a screen shows: the strongest of the samples that share a dot, so that no echo is lost.
    section = thinned(thinned(np.abs(np.asarray(row, dtype=float)), _MOST_TRACES, 0), _MOST_SAMPLES, 1)
    finite = section[np.isfinite(section)]
    reach = float(np.quantile(finite, 0.995)) if finite.size else 1.0
    level = np.clip(section / (reach or 1.0), 0, 1) * _GRID_LEVELS
    levels = np.where(np.isfinite(level), np.round(np.nan_to_num(level)), -1).astype(int).T
    return {
        "along": along,
        "here": at[0] if along == "station" else at[1],
        "traces": row.shape[0],
        "first_us": (first - 0.5) / per_us,
        "last_us": (first + row.shape[1] - 0.5) / per_us,
        "levels": levels,
    }


def thinned(values: "Floats", most: int, axis: int) -> "Floats":
    """Keep the largest of the values that share a dot of a screen, so that no echo is lost."""
    size = values.shape[axis]
    if size <= most:
        return values
    starts = np.linspace(0, size, most + 1).astype(int)[:-1]
    return np.asarray(np.fmax.reduceat(values, starts, axis=axis))


def slice_document(screened: Screened, depth_mm: float) -> dict[str, Any]:
    """Cut a C-scan at a depth below the front surface: the strongest signal in a thin gate round it, in dB.

    Raises
    ------
    TapscanError
        When the zone has no A-scans, or the plan gives no velocity to turn depth into time.
    """
    evidence, zone = screened.evidence, screened.zone
    per_us, wall = mm_per_us(zone), zone.laminate.thickness_mm
    where = f"zone {zone.code}"
    if not isinstance(evidence, AScanEvidence):
        raise TapscanError(where, "has no A-scans", "choose a zone that was scanned")
    if per_us is None or wall is None:
        what = "has no slices at a depth: the plan gives no velocity_m_s or no thickness_mm"
        raise TapscanError(where, what, "add both under [laminate]")
    gate_mm = (max(depth_mm - _GATE_SHARE * wall, 0.0), depth_mm + _GATE_SHARE * wall)
    level_db = _gated_db(evidence, gate_mm[0] / per_us, gate_mm[1] / per_us)
    title = f"C-scan, {gate_mm[0]:.2f} to {gate_mm[1]:.2f} mm below the front surface"
    label = "strongest signal in the gate, dB against the front-surface echo"
    layer = Layer(title, label, level_db, _SLICE_LOW_DB, _SLICE_HIGH_DB, "score")
    return {**layer_document(layer), "gate_mm": gate_mm}


def _gated_db(evidence: AScanEvidence, from_us: float, to_us: float) -> "Floats":
    """Strongest signal between two times after the front-surface echo, against that echo."""
    per_us = evidence.sample_rate_hz * 1e-6
    stations, positions, samples = evidence.traces.shape
    level_db = np.full((stations, positions), np.nan)
    after = np.arange(samples)
    for station in range(stations):  # one row at a time, since the traces may be larger than memory
        trace = np.abs(np.asarray(evidence.traces[station], dtype=float))
        front = evidence.front_us[station][:, None] * per_us
        with np.errstate(invalid="ignore", divide="ignore"):
            in_gate = (after >= front + from_us * per_us) & (after <= front + to_us * per_us)
            near_front = np.abs(after - front) <= (to_us - from_us) / 2 * per_us + 1
            strongest = np.where(in_gate, trace, 0).max(axis=1)
            reference = np.where(near_front, trace, 0).max(axis=1)
            level_db[station] = 20 * np.log10(strongest / reference)
    return np.where(np.isfinite(level_db), level_db, np.where(np.isneginf(level_db), _SLICE_LOW_DB, np.nan))


def typical_point(screened: Screened) -> Point | None:
    """Find the clear point nearest to its baseline; None when no point is clear."""
    score = np.where(screened.status == CLEAR, screened.score, np.nan)
    if not np.isfinite(score).any():
        return None
    station, position = np.unravel_index(int(np.nanargmin(score)), score.shape)
    return Point(screened.zone.code, int(station) + 1, int(position) + 1)


def nearest_clear(screened: Screened, point: Point) -> Point | None:
    """Find the clear point nearest to another on the surface, round the tube too; None when none is."""
    zone, at = screened.zone, at_of(screened.zone, point)
    x, s = x_mm(zone), s_mm(zone)
    across = np.abs(s - s[at])
    if zone.is_tube:
        girth = s[:, 1:2] * zone.positions if zone.positions > 1 else np.ones((zone.stations, 1))
        across = np.minimum(across, girth - across)
    away = np.where(screened.status == CLEAR, np.hypot(x - x[at], across), np.inf)
    away[at] = np.inf
    if not np.isfinite(away).any():
        return None
    station, position = np.unravel_index(int(np.argmin(away)), away.shape)
    return Point(zone.code, int(station) + 1, int(position) + 1)
