"""A scanned zone, screened: an echo from inside the laminate, or the loss of the back wall, decides.

A delamination inside the beam reflects what the back wall no longer receives. Where it fills half the beam,
its echo has half its full amplitude and the back wall has lost half of its own: the 6 dB rule at which edges
are drawn for reflectors wider than the beam. The score is the larger of the two shares, over one half.
"""

import numpy as np
from numpy.typing import NDArray

from tapscan.errors import sentence
from tapscan.plan import Zone, block_mask
from tapscan.screening.baselines import distances, fit_baseline, refit, surface_terms
from tapscan.screening.calls import MIN_READINGS, fit_null_law, p_values
from tapscan.screening.echo_readings import EchoReadings
from tapscan.screening.indications import find_indications, label_areas, strength
from tapscan.screening.results import CLEAR, SKIPPED, SUSPECT, UNREAD, AScanEvidence, Screened

__all__ = ["screen_ascans"]

Floats = NDArray[np.float64]

HALF = 0.5  # of the amplitude: −6 dB
# A back wall that was not found is this far below what was expected, for the table's and the score's sake.
LOST_DB = -40.0


def screen_ascans(
    zone: Zone, readings: EchoReadings, false_call_rate: float, warnings: list[str]
) -> Screened:
    """Hold every A-scan of a zone against the back wall that is expected there."""
    reference = block_mask(zone, zone.reference)
    echoes, reason = readings.echoes, readings.reason.copy()
    read = (reason == "") & ~block_mask(zone, zone.skip)
    expected_db, words = _expected_backwall_db(zone, readings, read, reference)
    if not np.isfinite(expected_db).any():
        reason[read] = "no baseline"
        warnings.append(
            sentence(f"zone {zone.code}", f"{words[:1].lower()}{words[1:-1]}", "scan more of the zone")
        )
        read &= False
    lost = _lost_share(readings, expected_db)
    score = _score(readings, lost, expected_db, read)
    p_value = _p_value(score, lost, read)
    status = np.where((score >= 1) & (p_value < false_call_rate), SUSPECT, CLEAR)
    status[~read] = UNREAD
    status[block_mask(zone, zone.skip)] = SKIPPED
    reason[status == SKIPPED] = ""
    features = _features(zone, readings, read)
    areas = label_areas(status == SUSPECT, closed=zone.is_tube)
    return Screened(
        zone=zone,
        method="ascan",
        status=status,
        reason=reason,
        score=score,
        p_value=p_value,
        is_reference=reference,
        features=features,
        indications=find_indications(zone, "ascan", areas, score, strength(score, 1.0), features["depth_mm"]),
        baseline=words,
        evidence=AScanEvidence(
            traces=readings.traces,
            sample_rate_hz=readings.sample_rate_hz,
            front_us=echoes.front_s * 1e6,
            echo_us=(echoes.front_s + echoes.echo_s) * 1e6,
            backwall_us=echoes.backwall_s * 1e6,
            typical_trace=_typical_trace(readings, status == CLEAR, score),
        ),
    )


def _expected_backwall_db(
    zone: Zone, readings: EchoReadings, read: NDArray[np.bool_], reference: NDArray[np.bool_]
) -> tuple[Floats, str]:
    """Give the back wall over the front-surface echo of good laminate, and where that comes from."""
    seen = np.where(read, readings.echoes.backwall_db, np.nan).reshape(-1, 1)
    count = int(np.isfinite(seen).sum())
    if count < MIN_READINGS:
        return np.full(
            zone.grid_shape, np.nan
        ), f"A back wall at {count} points only, too few to say what is good here."
    terms = surface_terms(*zone.grid_shape, closed=zone.is_tube, readings=count)
    baseline = fit_baseline(seen, terms, reference.ravel(), np.zeros_like(seen))
    distance = distances(seen, baseline)
    law = fit_null_law(distance)
    good = reference.ravel() | (p_values(distance, law) > law.above_p)
    baseline = refit(seen, baseline, good, np.zeros_like(seen))
    marked = int(reference.sum())
    source = f"{marked} points marked as good and those that agree with them" if marked else "the zone itself"
    kept = int(baseline.kept.sum())
    words = f"The back wall expected here comes from {source}: {kept} readings, smooth over the part."
    return baseline.expected.reshape(zone.grid_shape), words


def _lost_share(readings: EchoReadings, expected_db: Floats) -> Floats:
    """Share of the expected back-wall amplitude that is missing: about 0 in good laminate."""
    backwall_db = readings.echoes.backwall_db
    backwall_db = np.where(np.isfinite(backwall_db), backwall_db, expected_db + LOST_DB)
    return np.asarray(1 - 10 ** ((backwall_db - expected_db) / 20))


def _score(readings: EchoReadings, lost: Floats, expected_db: Floats, read: NDArray[np.bool_]) -> Floats:
    echo_db = readings.echoes.echo_db
    inside = np.where(np.isfinite(echo_db), 10 ** ((echo_db - expected_db) / 20), 0.0)
    return np.where(read, np.maximum(np.maximum(lost, inside), 0.0) / HALF, np.nan)


def _p_value(score: Floats, lost: Floats, read: NDArray[np.bool_]) -> Floats:
    """How often a sound reading would score as high; NaN where unread.

    Sound readings lose as often as they gain, so the size of what the back wall loses or gains tells the
    law of both.
    """
    wander = np.where(read, np.abs(lost), np.nan)
    if np.isfinite(wander).sum() < MIN_READINGS:
        return np.where(np.isfinite(score), 1.0, np.nan)
    return p_values(score * HALF, fit_null_law(wander))


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
