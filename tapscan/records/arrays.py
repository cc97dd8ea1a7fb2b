"""Named arrays in one ``.npz`` file: the compact form of a table, for programs and for the page."""

import io
import zipfile
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["npz_bytes"]

# The clock must not get into the file: the earliest time that a zip archive can state.
NO_TIME = (1980, 1, 1, 0, 0, 0)


def npz_bytes(arrays: Mapping[str, NDArray[Any]], *, is_packed: bool = True) -> bytes:
    """Write arrays into one ``.npz`` file, in the order given; the same arrays give the same bytes.

    One that is not packed is larger, and read without unpacking.

    Examples
    --------
    >>> kept = np.load(io.BytesIO(npz_bytes({"score": np.array([[0.5, 1.5]])})))
    >>> kept["score"].shape
    (1, 2)
    """
    content = io.BytesIO()
    method = zipfile.ZIP_DEFLATED if is_packed else zipfile.ZIP_STORED
    with zipfile.ZipFile(content, "w", method) as archive:
        for name, values in arrays.items():
            plain = io.BytesIO()
            np.lib.format.write_array(plain, np.ascontiguousarray(values), allow_pickle=False)
            entry = zipfile.ZipInfo(f"{name}.npy", NO_TIME)
            entry.compress_type = method
            archive.writestr(entry, plain.getvalue())
    return content.getvalue()
