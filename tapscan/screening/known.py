"""Points of another inspection about which more is known than its readings say: what cutting showed there."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

__all__ = ["NOT_CUT", "Known", "KnownFromCuts"]


@dataclass(frozen=True, slots=True, eq=False)
class Known:
    """Points of a zone that cutting has shown `good` or `bad`; masks of (stations, positions).

    A point in neither was not cut, and is not known. `bad` holds every kind of finding: a wrinkle is no
    delamination, but no example of sound laminate either. `separated` are those of `bad` that are delaminated
    or disbonded.
    """

    good: NDArray[np.bool_]
    bad: NDArray[np.bool_]
    separated: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class KnownFromCuts:
    """What is known of an inspection, by zone code; `file` in its folder says so, '' when nothing does."""

    zones: Mapping[str, Known] = field(default_factory=dict)
    file: str = ""


NOT_CUT = KnownFromCuts()
