"""What batches of arrays cost the system, beside the arithmetic."""

import numpy as np

__all__ = ["keep_freed_memory"]

# Bytes: just below the largest that glibc heeds. About twice as much stays with the process when it is freed.
_LARGEST = (1 << 25) - (1 << 16)


def keep_freed_memory() -> None:
    """Let the C library keep what is freed for the next array, where it would hand it back to the system.

    Pages that were handed back come again one by one, each filled with zeros: that took a sixth of the time
    of `tap_features`. glibc raises its limits to the largest block that it has ever seen freed (mallopt(3),
    M_MMAP_THRESHOLD, "dynamic"), so it is shown one. Nothing touches that block, so it costs nothing;
    other libraries ignore it.
    """
    np.empty(_LARGEST, dtype=np.uint8)
