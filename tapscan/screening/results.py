"""What screening says of one zone by one method: frozen data that files, report and page share."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tapscan.plan.surfaces import placed
from tapscan.plan.zones import Zone

__all__ = [
    "CLEAR",
    "FEW_READ",
    "SKIPPED",
    "SUSPECT",
    "UNREAD",
    "AScanEvidence",
    "Indication",
    "Kind",
    "Method",
    "Screened",
    "TapEvidence",
    "TwinEvidence",
]

Method = Literal["tap", "ascan"]
# What an area is called suspect of. A tap cannot separate a delamination from a disbond; `thin` is a wall
# below the plan's tolerance.
Kind = Literal["delamination", "disbond", "thin"]

# A point that was left out on purpose is not a planned point: it has no row in any table, only a count.
CLEAR, SUSPECT, UNREAD, SKIPPED = "clear", "suspect", "unread", "skipped"


@dataclass(frozen=True, slots=True)
class Indication:
    """A connected suspect area.

    `s_mm` is (start, end) going clockwise; end < start where the area crosses the seam. `outline` holds
    closed rings of (x_mm, s_mm) on the unrolled surface; across the seam s runs on below 0 or beyond the
    girth, so that every ring is one piece. `depth_mm` is None where the method measures no depth; of a
    disbond or a thin wall it is the wall's thickness. A tap cannot separate a disbond from a delamination.
    """

    id: str
    zone: str
    method: Method
    points: tuple[str, ...]
    area_mm2: float
    area_low_mm2: float
    area_high_mm2: float
    x_mm: tuple[float, float]
    s_mm: tuple[float, float]
    depth_mm: float | None
    peak_point: str
    score: float
    outline: tuple[tuple[tuple[float, float], ...], ...]
    kind: Kind = "delamination"


@dataclass(frozen=True, slots=True, eq=False)
class TwinEvidence:
    """The spectra of like zones that a tapped zone was compared with, laid onto its own grid.

    `source` says in words what they are; `decided` (stations, positions) where they decided, and not the
    zone's own baseline. All others (stations, positions, bands): `spectrum_db` is their mean, each moved by
    what it usually differs by from the zone; `expected_db` is that and what each position differs by;
    `spread_db` the standard deviation of sound differences.
    """

    source: str
    decided: NDArray[np.bool_]
    spectrum_db: NDArray[np.float64]
    expected_db: NDArray[np.float64]
    spread_db: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class TapEvidence:
    """The spectra behind a tap map, relative to each tap's own level, in the bands that the score uses.

    Shapes: `band_hz` (bands,) centres; `spectrum_db`, `expected_db` and `spread_db` (stations, positions,
    bands), NaN where unread. The spread is the standard deviation of sound readings about what is expected
    there, the room's noise at that point included. All by the zone's own baseline; `twin` holds what decided
    instead, where the zone has like zones.
    """

    band_hz: NDArray[np.float64]
    spectrum_db: NDArray[np.float64]
    expected_db: NDArray[np.float64]
    spread_db: NDArray[np.float64]
    twin: TwinEvidence | None = None


@dataclass(frozen=True, slots=True, eq=False)
class AScanEvidence:
    """The traces behind an A-scan map and the echoes found in them.

    Shapes: `traces` (stations, positions, samples), possibly memory-mapped, NaN where there is none;
    `front_us`, `echo_us`, `backwall_us` (stations, positions) from each trace's first sample, NaN where not
    found; `typical_trace` (samples,) a good trace of this zone for comparison; `dead_mm` how much of the wall
    below the surface and above the back wall cannot be inspected with this pulse, None where unknown.
    """

    traces: NDArray[np.number]
    sample_rate_hz: float
    front_us: NDArray[np.float64]
    echo_us: NDArray[np.float64]
    backwall_us: NDArray[np.float64]
    typical_trace: NDArray[np.float64]
    dead_mm: tuple[float, float] | None = None


# Ends the sentence on a tapped zone's own baseline where it rests on little.
FEW_READ = (
    "They are few: more sound points than requested may be called suspect. Tap more of the zone, or compare "
    "it with another inspection."
)


@dataclass(frozen=True, slots=True, eq=False)
class Screened:
    """One zone seen by one method. Every array has shape (stations, positions).

    `status` holds the words above; `reason` says why a point is unread, and is empty elsewhere; `features`
    maps the column names of ``points.csv`` (with their units) to values, NaN where there is none.
    `baseline` is one sentence: what good means here and on how many readings that rests. `doubt` says why the
    whole map is in doubt, because a check of the setup failed; empty where none did.
    """

    zone: Zone
    method: Method
    status: NDArray[np.str_]
    reason: NDArray[np.str_]
    score: NDArray[np.float64]
    p_value: NDArray[np.float64]
    is_reference: NDArray[np.bool_]
    features: Mapping[str, NDArray[np.float64]]
    indications: tuple[Indication, ...]
    baseline: str
    evidence: TapEvidence | AScanEvidence
    doubt: str = ""

    @property
    def rests_on_few(self) -> bool:
        """Whether so few readings say what is good that more good points are called than was asked for."""
        return self.baseline.endswith(FEW_READ)

    @property
    def less_certain(self) -> NDArray[np.bool_]:
        """Tapped points where the room adds more to a reading's variance than sound laminate does."""
        if not isinstance(self.evidence, TapEvidence) or "noise_db" not in self.features:
            return np.zeros(self.status.shape, dtype=bool)
        whole_db2 = np.mean(self.evidence.spread_db**2, axis=-1)
        return np.asarray(self.features["noise_db"] ** 2 > whole_db2 / 2)

    def count(self, status: str) -> int:
        """How many points of the zone have this status; array elements without a point do not count."""
        return int(np.count_nonzero((self.status == status) & placed(self.zone)))
