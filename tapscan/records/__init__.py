"""The inspection folder on disk: files in, readings out, and results written safely.

`inspection` says which file belongs to which point; `readers` has a module per format, `taking` brings
readings in; `starting` begins a folder, `coverage` counts what is there. `writing` and `swapping` leave the
old or the new, whole; `runs` and `digests` tie results to inputs; `tables` and `arrays` are their two forms.
"""

from tapscan.records.inspection import Inspection, open_inspection

__all__ = ["Inspection", "open_inspection"]
