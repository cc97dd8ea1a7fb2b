"""Every point's numbers as maps: what ``points.csv`` says, a quarter of its size and quick to read."""

from typing import TYPE_CHECKING, Any

import numpy as np

from tapscan.screening.results import CLEAR, SKIPPED, SUSPECT, UNREAD

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from tapscan.screening.results import Screened

__all__ = ["POINT_ARRAYS_NAME", "STATUSES", "point_arrays", "zone_arrays"]

POINT_ARRAYS_NAME = "points.npz"
STATUSES = (CLEAR, SUSPECT, UNREAD, SKIPPED)


def point_arrays(screened: "Sequence[Screened]") -> "dict[str, NDArray[Any]]":
    """Lay out all zones: ``BM/tap/score`` and so on, and the words that `status` and `reason` count in."""
    reasons = sorted({str(word) for part in screened for word in np.unique(part.reason)} | {""})
    arrays: dict[str, NDArray[Any]] = {"statuses": np.array(STATUSES), "reasons": np.array(reasons)}
    for part in screened:
        place = f"{part.zone.code}/{part.method}"
        arrays |= {f"{place}/{name}": values for name, values in zone_arrays(part).items()}
        arrays[f"{place}/reason"] = np.searchsorted(reasons, part.reason).astype(np.uint8)
    return arrays


def zone_arrays(screened: "Screened") -> "dict[str, NDArray[Any]]":
    """Lay out one zone by one method, each (stations, positions): numbers in single precision."""
    status = np.zeros(screened.status.shape, np.uint8)
    for number, word in enumerate(STATUSES):
        status[screened.status == word] = number
    numbers = {"score": screened.score, "p_value": screened.p_value, **screened.features}
    return {
        "status": status,
        "is_reference": np.asarray(screened.is_reference, dtype=np.uint8),
        **{name: np.asarray(values, dtype=np.float32) for name, values in numbers.items()},
    }
