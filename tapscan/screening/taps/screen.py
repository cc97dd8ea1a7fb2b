"""A tapped zone, screened: points, baseline, damage class, calls and areas."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapscan.errors import sentence
from tapscan.plan import Zone, block_mask
from tapscan.plan.nearness import nearness
from tapscan.plan.surfaces import station_shape
from tapscan.screening.areas.indications import Evidence, doubtful_points, find_indications, likely_areas
from tapscan.screening.change.twins import MIN_READINGS
from tapscan.screening.results import CLEAR, FEW_READ, SKIPPED, SUSPECT, UNREAD, Screened, TapEvidence
from tapscan.screening.taps.baseline import Baseline, Levels, fit_baseline, pooled
from tapscan.screening.taps.calls import p_values, score_of
from tapscan.screening.taps.damage import DamageClass, damage_class, inputs
from tapscan.screening.taps.faces import face_terms
from tapscan.screening.taps.points import N_BANDS, TapPoints, point_means
from tapscan.screening.taps.readings import TapReadings
from tapscan.signals.taps.bands import BAND_EDGES_HZ

__all__ = ["REACH_MM", "Judged", "judged", "screen_taps", "screened_as"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

BAND_CENTRES_HZ = np.sqrt(BAND_EDGES_HZ[:-1] * BAND_EDGES_HZ[1:])
REACH_MM = 10.0  # policy: points so near share their damage; the smallest damage worth a cut is twice as wide
SURE = 0.9  # policy: an area's lower bound is that of the points which are damaged nine times in ten
# With fewer readings one in a hundred is less than one reading.
FEW_READINGS = 100


@dataclass(frozen=True, slots=True, eq=False)
class Judged:
    """What the damage class says of points; arrays (points,), NaN where unread.

    `log_odds` and `probability` of damage, by the point and its neighbours; `p_value` the share of sound
    points of this zone that look as bad. `is_familiar` is false where the zone is so unlike the parts that
    the class was trained on that the distance alone decided.
    """

    baseline: Baseline
    log_odds: Floats
    probability: Floats
    p_value: Floats
    is_familiar: bool


def judged(
    points: TapPoints,
    zone: Zone,
    reference: Mask,
    trees: DamageClass | None = None,
    *,
    by_station: bool = True,
) -> Judged:
    """Judge the points of a zone, or the difference of two, by what is usual in it.

    `trees` are the damage class as a shop's sectioned parts retrained it, else the one that tapscan carries.
    """
    trees = trees or damage_class()
    near = nearness(zone, REACH_MM)
    # Neighbours are in the description already: their log odds support a point's, but must not blur rims.
    close = near.power(2)
    damaged = np.zeros(reference.size, dtype=bool)
    terms = face_terms(zone)
    shape = station_shape(zone) if terms is None else (1, reference.size)
    levels = Levels(by_station=by_station, terms=terms if by_station else None)
    # The damage class knows better than the distance what is damage: the baseline is fitted again without it.
    for _ in range(2):
        baseline = fit_baseline(points, shape, near, reference, damaged, levels=levels)
        alone, is_familiar = trees.log_odds_in(inputs(baseline, near), baseline)
        log_odds = pooled(close, alone)
        damaged = log_odds > 0
    probability = 1 / (1 + np.exp(-log_odds))
    p_value = p_values(log_odds, probability, near, reference)
    return Judged(baseline, log_odds, probability, p_value, is_familiar)


def screen_taps(
    zone: Zone,
    readings: TapReadings,
    false_call_rate: float,
    warnings: list[str],
    trees: DamageClass | None = None,
) -> Screened:
    """Compare every reading of a tapped zone with the zone's own baseline; `trees` as in `judged`.

    With too few readings for a baseline every point stays unread, with the reason ``no baseline``, and
    `warnings` says so.
    """
    reference = block_mask(zone, zone.reference)
    points = point_means(readings.taps, reference.size)
    read = int(points.read.sum())
    if read < MIN_READINGS:
        warnings.append(sentence(f"zone {zone.code}", f"taps at {read} points only", "tap more of the zone"))
        words = f"No baseline: {read} readings are too few to know what sound laminate sounds like here."
        found = _unjudged(points)
        evidence = _evidence(zone, points, found.baseline, readings.taps.heard)
        return screened_as(zone, readings, found, evidence, words, false_call_rate)
    found = judged(points, zone, reference.ravel(), trees)
    if not found.is_familiar:
        what = (
            "sounds unlike all parts that the damage class learned from; distance from the baseline decides"
        )
        warnings.append(
            sentence(f"zone {zone.code}", what, "check tapper, microphone and the suspect points by hand")
        )
    evidence = _evidence(zone, points, found.baseline, readings.taps.heard)
    return screened_as(
        zone, readings, found, evidence, _in_words(zone, found.baseline, reference), false_call_rate
    )


def screened_as(
    zone: Zone,
    readings: TapReadings,
    found: Judged,
    evidence: TapEvidence,
    words: str,
    false_call_rate: float,
) -> Screened:
    """Call points and group them into areas."""
    shape = zone.grid_shape
    p_value, probability = (values.reshape(shape) for values in (found.p_value, found.probability))
    reason = readings.reason.copy()
    reason[(reason == "") & ~np.isfinite(p_value)] = "no baseline"
    score = score_of(p_value, probability, false_call_rate)
    status = np.where(score >= 1, SUSPECT, CLEAR)
    status[reason != ""] = UNREAD
    status[block_mask(zone, zone.skip)] = SKIPPED
    reason[status == SKIPPED] = ""
    areas = likely_areas(zone, status == SUSPECT, probability, p_value)
    noise_db = np.sqrt(np.mean(found.baseline.noise_db2, axis=1)).reshape(shape)
    columns = {
        "n_taps": readings.n_taps.astype(float),
        **readings.features,
        "damage_probability": probability,
        "noise_db": noise_db,
    }
    return Screened(
        zone=zone,
        method="tap",
        status=status,
        reason=reason,
        score=score,
        p_value=p_value,
        is_reference=block_mask(zone, zone.reference),
        features={name: np.where(status == UNREAD, np.nan, values) for name, values in columns.items()},
        indications=find_indications(
            zone,
            "tap",
            areas,
            Evidence(
                score, probability, doubtful_points(p_value, status == SKIPPED), sure=probability >= SURE
            ),
        ),
        baseline=words,
        evidence=evidence,
    )


def _unjudged(points: TapPoints) -> Judged:
    """Leave every point unread: nothing is known of sound laminate."""
    unknown, nothing = np.full(points.taps.shape, np.nan), np.full_like(points.sound_db, np.nan)
    baseline = Baseline(
        off_db=nothing,
        station_db=nothing,
        station_spread_db=nothing[0],
        spread_db=nothing,
        noise_db2=nothing[:, :N_BANDS],
        distance=unknown,
        around=unknown,
        sound=np.zeros(unknown.size, dtype=bool),
    )
    return Judged(baseline, unknown, unknown, unknown, is_familiar=True)


def _evidence(zone: Zone, points: TapPoints, baseline: Baseline, heard: Mask) -> TapEvidence:
    """Keep what was measured and what was expected, in the bands that every recorder heard, (bands,)."""
    spectrum, off, spread = (
        np.where(heard, values[:, :N_BANDS], np.nan).reshape(*zone.grid_shape, -1)
        for values in (points.sound_db, baseline.off_db, baseline.spread_db)
    )
    return TapEvidence(BAND_CENTRES_HZ, spectrum, spectrum - off, spread)


def _in_words(zone: Zone, baseline: Baseline, reference: Mask) -> str:
    sound, marked = int(baseline.sound.sum()), int(reference.sum())
    source = f"{marked} points marked as reference and the rest of the zone" if marked else "the zone itself"
    few = f" {FEW_READ}" if sound < FEW_READINGS else ""
    if face_terms(zone) is not None:
        return (
            f"The baseline comes from {source}: a smooth surface over the face and what its edges do, and "
            f"the scatter of the {sound} quietest readings. A rib or a ply drop can be called suspect.{few}"
        )
    return (
        f"The baseline comes from {source}: a level for each station and each position, and the scatter of "
        f"the {sound} quietest readings. Damage that covers more than half of a station's width can hide in "
        f"it.{few}"
    )
