"""Move every constant of the A-scans' decisions by 30 %: ``python -m tests.benchmarks.constants``.

Four families of the arena of uneven walls at 60 by 40 points, sound and with two delaminations. A line for
each constant: found of 8, false areas and false points, with 30 % less and 30 % more.
"""

from collections.abc import Iterator
from types import ModuleType

import tapscan.screening.echoes.baseline
import tapscan.screening.echoes.calls
import tapscan.screening.echoes.levels
import tapscan.screening.echoes.screen
from tapscan.signals.echoes import candidates, learning, pursuit
from tapscan.signals.walls import deciding, filling, labelling, sheets
from tapscan.signals.walls import lost as lost_walls
from tapscan.signals.walls import surface as walls
from tests.independent.panels import Scanned, scanned
from tests.independent.test_uneven_walls import FAMILIES, HITS, small
from tests.independent.walls import by_tapscan

MODULES = (
    walls,
    labelling,
    sheets,
    deciding,
    filling,
    lost_walls,
    candidates,
    learning,
    pursuit,
    tapscan.screening.echoes.levels,
    tapscan.screening.echoes.baseline,
    tapscan.screening.echoes.calls,
    tapscan.screening.echoes.screen,
)
WHOLE = (  # counts and tables
    *(
        "ROUNDS",
        "REACH",
        "STRONGEST",
        "BLOCK",
        "LEAST_FREE",
        "READINGS",
        "MARGIN",
        "NEIGHBOURS",
        "CANDIDATES",
    ),
    *("TILE", "KEPT", "FLAT", "SAMPLE", "QUIET", "FRACTIONS", "STEPS", "TAPS"),
)
SHARED = (
    *("UNRESOLVED_CYCLES", "THINNEST_PLY_S", "PLAN_TOLERANCE", "ROUGH"),
    *("FRONT_FRACTION", "HOPEFUL", "NOISE_FACTOR"),
)


def constants() -> Iterator[tuple[ModuleType, str, float]]:
    for module in MODULES:
        for name, value in vars(module).items():
            is_own = name.lstrip("_").isupper() and isinstance(value, int | float)
            if is_own and not any(part in name for part in WHOLE):
                yield module, name, value


def moved(module: ModuleType, name: str, value: float) -> None:
    for each in MODULES if name in SHARED else (module,):
        if hasattr(each, name):
            setattr(each, name, value)


def score(scans: list[Scanned]) -> tuple[int, int, int]:
    outcomes = [by_tapscan(scan) for scan in scans]
    return tuple(sum(getattr(o, n) for o in outcomes) for n in ("found", "false_areas", "false_points"))  # type: ignore[return-value]


def main() -> None:
    scans = [scanned(small(panel, *hits), 5) for panel in FAMILIES.values() for hits in ((), HITS)]
    as_is = score(scans)
    print(f"as they are: found, false areas, false points {as_is}")
    for module, name, value in list(constants()):
        less, more = [], []
        for share, out in ((0.7, less), (1.3, more)):
            moved(module, name, share * value)
            out.append(score(scans))
        moved(module, name, value)
        mark = "" if less[0] == more[0] == as_is else "  <- moves"
        print(f"{module.__name__:36s} {name:20s} {value:<8g} {less[0]} {more[0]}{mark}", flush=True)


if __name__ == "__main__":
    main()
