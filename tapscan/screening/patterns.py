"""What two visits to one kind of tapped zone may differ in without any damage.

Recorder, room and wear change what is heard slowly over the zone, or not at all. Another tapper changes it
where the wall yields otherwise: at nodes, stiff ends and joints. That goes by how each station sounds, so the
patterns in which stations differ from one another on one visit may return in the difference of two. A level
for each station would take in all of that, and damage all round a station with it.
"""

import numpy as np
from numpy.typing import NDArray

from tapscan.plan import Zone
from tapscan.screening.baselines import Terms, difference_terms

__all__ = ["visit_terms"]

Floats = NDArray[np.float64]

# So many patterns at most, and one for so many stations.
PATTERNS, STATIONS_PER_PATTERN = 4, 6


def visit_terms(zone: Zone, before: Floats, strike: Floats) -> Terms:
    """Let two visits differ slowly over the zone, with the strike, and in the patterns of the earlier one.

    Parameters
    ----------
    zone
        The later visit's zone.
    before
        Shape (stations, positions, bands): the other visit's pooled spectra, NaN where there is none.
    strike
        Shape (points,): how much harder each point was struck than on the other visit, in tens of dB.

    Examples
    --------
    >>> from tapscan.plan.reading import parse_plan
    >>> text = 'zone = [{code = "L", shape = "tube", stations = 40, positions = 12, station_pitch_mm = 10.0, '
    >>> zone = parse_plan(text + 'girth_mm = 120.0}]').zones[0]
    >>> visit_terms(zone, np.random.default_rng(1).normal(size=(40, 12, 17)), np.zeros(480)).columns.shape
    (480, 13)
    """
    # One slope for all: with slopes of their own, stations could explain their damage by it.
    terms = difference_terms(*zone.grid_shape, closed=zone.is_tube).beside(strike, 0)
    read = np.asarray(np.isfinite(before).all(axis=-1))
    known = np.flatnonzero(read.any(axis=1))
    level = np.zeros((zone.stations, before.shape[-1]))
    for station in known:
        level[station] = np.median(before[station][read[station]], axis=0)
    level[known] -= level[known].mean(axis=0)
    count = min(PATTERNS, zone.stations // STATIONS_PER_PATTERN)
    patterns = np.linalg.svd(level, full_matrices=False)[0][:, :count] * np.sqrt(zone.stations)
    columns = np.column_stack([terms.columns, np.repeat(patterns, zone.positions, axis=0)])
    penalty = np.pad(terms.penalty, (0, columns.shape[1] - len(terms.penalty)))
    return Terms(columns, penalty, terms.grid_shape, terms.closed, keeps_rings=False)
