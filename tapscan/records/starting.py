"""A new inspection folder: a plan to fill in, and the places for readings."""

from pathlib import Path

from tapscan.errors import TapscanError
from tapscan.plan.text.reading import PLAN_NAME
from tapscan.plan.text.template import PIECE_TEMPLATE, PLAN_TEMPLATE
from tapscan.records.inspection import ASCANS, TAPS
from tapscan.records.writing import write_text

__all__ = ["start_inspection"]

PHOTOS = "photos"


def start_inspection(folder: Path, *, is_known_piece: bool = False) -> Path:
    """Write the plan to fill in, with empty folders for readings, and return the plan's path.

    A known piece is an inspection folder, too, whose plan says what is known of its points.
    A folder that is there may hold other files; a plan that is there is never replaced.

    Raises
    ------
    TapscanError
        When the folder holds a plan, or cannot be made.
    """
    plan = folder / PLAN_NAME
    if folder.exists() and not folder.is_dir():
        raise TapscanError(str(folder), "is a file", "name a folder that is new or holds no plan")
    if plan.exists() or plan.is_symlink():
        raise TapscanError(
            str(folder), f"holds an {PLAN_NAME} already", "edit that one, or name another folder"
        )
    try:
        for name in (PHOTOS,) if is_known_piece else (TAPS, ASCANS):
            (folder / name).mkdir(parents=True, exist_ok=True)
        write_text(plan, PIECE_TEMPLATE if is_known_piece else PLAN_TEMPLATE)
    except OSError as error:
        remedy = "name a folder that you may write to"
        raise TapscanError(str(folder), f"cannot be written: {error.strerror}", remedy) from None
    return plan
