"""The inspection folder on disk: what is there, read and written safely."""

from tapscan.records.inspection import Inspection, open_inspection

__all__ = ["Inspection", "open_inspection"]
