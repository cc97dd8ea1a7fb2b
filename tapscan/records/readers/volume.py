"""``.npy`` volumes: a whole zone of A-scans, (stations, positions, samples), mapped into memory read-only.

Only the header is read here. It is compared with the file's real size and the plan before anything is mapped,
and pickled Python objects are refused unseen: unpickling can run any program.
"""

import math
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from tapscan.errors import TapscanError
from tapscan.records.readers.readings import file_name

if TYPE_CHECKING:
    from tapscan.plan import Zone

__all__ = ["NAME", "read", "sniff"]

NAME = "NumPy volume"
RE_SAVE = "save it with numpy.save as a plain array of numbers"
REFUSED_KINDS = {
    "O": "pickled Python objects, which can run any program when opened",
    "c": "complex numbers, not a real signal",
    "U": "text",
    "S": "text",
    "V": "records of several fields",
    "b": "true/false values",
    "M": "dates",
    "m": "time spans",
}


@dataclass(frozen=True, slots=True)
class _Header:
    shape: tuple[int, ...]
    fortran_order: bool
    dtype: np.dtype[Any]
    offset: int


def sniff(head: bytes) -> str | None:
    """Say why these first bytes are not an ``.npy`` file; None when they are."""
    if head.startswith(b"\x93NUMPY"):
        return None
    if head.startswith(b"PK"):
        return "is a zip archive such as .npz, not a single .npy array"
    return "does not begin with the .npy mark"


def read(path: Path, zone: "Zone") -> NDArray[np.number[Any]]:
    """Map a volume of (stations, positions, samples) read-only, in the dtype and memory order of the file.

    Raises
    ------
    TapscanError
        When the header is damaged, claims more than the file holds, or does not fit the zone, or the values
        are not real numbers.
    """
    where = file_name(path)
    header = _header(path, where)
    _check_dtype(header.dtype, where)
    _check_shape(header.shape, zone, where)
    claimed = math.prod(header.shape) * header.dtype.itemsize
    held = path.stat().st_size - header.offset
    if claimed > held:
        what = f"is cut short: its header claims {claimed:,} bytes of traces and {held:,} are there"
        raise TapscanError(where, what, "copy or export it again")
    order: Any = "F" if header.fortran_order else "C"
    return np.memmap(path, header.dtype, mode="r", offset=header.offset, shape=header.shape, order=order)


def _header(path: Path, where: str) -> _Header:
    with path.open("rb") as stream, warnings.catch_warnings():
        warnings.simplefilter("ignore")  # headers from Python 2 read well, only slower
        try:
            version = np.lib.format.read_magic(stream)
            if version == (1, 0):
                shape, fortran_order, dtype = np.lib.format.read_array_header_1_0(stream)
            elif version == (2, 0):
                shape, fortran_order, dtype = np.lib.format.read_array_header_2_0(stream)
            else:
                # Version 3 exists for field names beyond Latin-1, so it never holds plain numbers.
                what = f"is .npy version {version[0]}.{version[1]}, which plain arrays do not use"
                raise TapscanError(where, what, RE_SAVE)
        except TapscanError:
            raise
        except Exception as error:  # a damaged header makes its parser raise half a dozen unrelated types
            reason = " ".join(str(error).split())[:120]
            raise TapscanError(
                where, f"has a damaged .npy header: {reason}", "copy or export it again"
            ) from None
        if any(isinstance(size, bool) or size < 0 for size in shape):
            raise TapscanError(where, f"has a damaged .npy header: shape {shape}", "copy or export it again")
        return _Header(shape, fortran_order, dtype, stream.tell())


def _check_dtype(dtype: np.dtype[Any], where: str) -> None:
    kind = "O" if dtype.hasobject else dtype.kind
    if kind in REFUSED_KINDS:
        raise TapscanError(where, f"holds {REFUSED_KINDS[kind]} (dtype {dtype})", RE_SAVE)


def _check_shape(shape: tuple[int, ...], zone: "Zone", where: str) -> None:
    wanted = f"({zone.stations}, {zone.positions}, samples)"
    what = f"has shape {shape}, and zone {zone.code} of the plan needs {wanted}"
    if len(shape) == 3 and shape[:2] == zone.grid_shape:
        if shape[2] < 2:
            raise TapscanError(where, f"has {shape[2]} samples per trace", "export the whole traces")
        return
    remedy = "correct stations and positions in the plan, or export the zone again"
    if len(shape) == 3 and shape[:2] == zone.grid_shape[::-1]:
        remedy = "stations and positions are swapped: save array.transpose(1, 0, 2)"
    elif len(shape) == 3 and shape[1:] == zone.grid_shape:
        remedy = "samples come first: save numpy.moveaxis(array, 0, 2)"
    elif len(shape) == 2 and shape[0] == zone.stations * zone.positions:
        remedy = f"save array.reshape({zone.stations}, {zone.positions}, {shape[1]})"
    raise TapscanError(where, what, remedy)
