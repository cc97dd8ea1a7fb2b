"""Tap-test and ultrasonic A-scan maps of carbon-fibre parts.

>>> import tapscan
>>> inspection = tapscan.open_inspection("my-part")     # doctest: +SKIP
>>> results = tapscan.analyse(inspection)               # doctest: +SKIP
>>> results.save()                                      # doctest: +SKIP

Importing this module loads nothing heavy: each public name is fetched when it is first used.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

from tapscan.errors import TapscanError

if TYPE_CHECKING:
    from tapscan.report import analyse
    from tapscan.records import open_inspection

__all__ = ["TapscanError", "__version__", "analyse", "open_inspection"]

__version__ = "0.1.0"

_HOMES = {"analyse": "tapscan.report", "open_inspection": "tapscan.records"}


def __getattr__(name: str) -> Any:  # noqa: ANN401 - PEP 562
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    msg = f"module 'tapscan' has no attribute {name!r}"
    raise AttributeError(msg)
