"""A scanned zone, screened: readings, baseline, calls, thickness and areas."""

import numpy as np
from numpy.typing import NDArray

from tapscan.errors import sentence
from tapscan.plan import Zone, block_mask
from tapscan.screening.areas.indications import Area, Evidence, find_indications, strength_of, zone_areas
from tapscan.screening.echoes.baseline import baseline_of
from tapscan.screening.echoes.calls import called
from tapscan.screening.echoes.levels import is_beyond_chance
from tapscan.screening.echoes.readings import EchoReadings
from tapscan.screening.echoes.thickness import dead_mm, thickness_words, thin_score
from tapscan.screening.echoes.twins import Expected
from tapscan.screening.results import CLEAR, SKIPPED, SUSPECT, UNREAD, AScanEvidence, Screened

__all__ = ["screen_ascans"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# In times the suspect limit: what takes three quarters of the beam is listed, however few readings there are
# to say what chance does.
LISTED_SCORE = 1.5


def screen_ascans(
    zone: Zone,
    readings: EchoReadings,
    false_call_rate: float,
    warnings: list[str],
    expected: Expected | None = None,
) -> Screened:
    """Compare every A-scan of a zone with the back wall that is expected there."""
    reference, skipped = block_mask(zone, zone.reference), block_mask(zone, zone.skip)
    reason = readings.reason.copy()
    read = (reason == "") & ~skipped
    baseline = baseline_of(zone, readings, read, expected, warnings)
    if not np.isfinite(baseline.free_db).any():
        reason[read] = "no baseline"
        what = f"{baseline.words[:1].lower()}{baseline.words[1:-1]}"
        warnings.append(sentence(f"zone {zone.code}", what, "scan more of the zone"))
        read &= False
    score, p_value, is_disbond = called(readings, baseline, read, expected, closed=zone.is_tube)
    status = np.where((score >= 1) & (p_value < false_call_rate), SUSPECT, CLEAR)
    unknown = read & ~np.isfinite(p_value)
    reason[unknown] = "no baseline"
    read &= ~unknown
    features = _features(zone, readings, read)
    shortfall = thin_score(zone, features["thickness_mm"], read)
    thin = (shortfall >= 1) & (status == CLEAR)
    status[thin], p_value[thin] = SUSPECT, 0.0
    score[thin] = shortfall[thin]
    status[~read] = UNREAD
    status[skipped] = SKIPPED
    reason[status == SKIPPED] = ""
    depth_mm = np.where(is_disbond | thin, features["thickness_mm"], features["depth_mm"])
    areas = [
        area
        for area in _areas(zone, status == SUSPECT, is_disbond, thin)
        if area.kind == "thin"
        or score[area.members].max() >= LISTED_SCORE
        or is_beyond_chance(p_value[area.members], int(read.sum()), false_call_rate)
    ]
    evidence = Evidence(score, strength_of(score), status == UNREAD, depth_mm)
    wall = thickness_words(zone, features["thickness_mm"], status == CLEAR, readings.frequency_hz)
    return Screened(
        zone=zone,
        method="ascan",
        status=status,
        reason=reason,
        score=score,
        p_value=p_value,
        is_reference=reference,
        features=features,
        indications=find_indications(zone, "ascan", areas, evidence),
        baseline=f"{baseline.words} {wall}".rstrip(),
        evidence=_shown(zone, readings, status == CLEAR, score),
    )


def _shown(zone: Zone, readings: EchoReadings, clear: Mask, score: Floats) -> AScanEvidence:
    """Give what the report and the page show of each trace."""
    echoes = readings.echoes
    return AScanEvidence(
        traces=readings.traces,
        sample_rate_hz=readings.sample_rate_hz,
        front_us=echoes.front_s * 1e6,
        echo_us=(echoes.front_s + echoes.echo_s) * 1e6,
        backwall_us=echoes.backwall_s * 1e6,
        typical_trace=_typical_trace(readings, clear, score),
        dead_mm=dead_mm(zone, readings.frequency_hz),
    )


def _areas(zone: Zone, suspect: Mask, is_disbond: Mask, thin: Mask) -> list[Area]:
    """Group the suspect points of each kind by themselves."""
    return [
        *zone_areas(zone, suspect & ~is_disbond & ~thin),
        *zone_areas(zone, suspect & thin, "thin"),
        *zone_areas(zone, suspect & is_disbond & ~thin, "disbond"),
    ]


def _features(zone: Zone, readings: EchoReadings, read: NDArray[np.bool_]) -> dict[str, Floats]:
    """Put the measured columns in the table's units; what the plan's velocity does not give stays empty."""
    echoes = readings.echoes
    half_velocity = np.nan if zone.laminate.velocity_m_s is None else zone.laminate.velocity_m_s / 2 * 1e3
    columns = {
        "tof_us": echoes.tof_s * 1e6,
        "depth_mm": echoes.echo_s * half_velocity,
        "thickness_mm": echoes.tof_s * half_velocity,
        "backwall_db": echoes.backwall_db,
        "echo_db": echoes.echo_db,
        "snr_db": echoes.snr_db,
    }
    return {name: np.where(read, values, np.nan) for name, values in columns.items()}


def _typical_trace(readings: EchoReadings, clear: NDArray[np.bool_], score: Floats) -> Floats:
    """Pick the clear trace with the median score: a real trace, not an average of shifted ones."""
    if not clear.any():
        return np.full(readings.traces.shape[2], np.nan)
    candidates = np.argwhere(clear)
    middle = np.argsort(score[clear], kind="stable")[len(candidates) // 2]
    return np.asarray(readings.traces[tuple(candidates[middle])], dtype=float)
