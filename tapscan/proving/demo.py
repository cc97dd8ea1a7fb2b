"""The demo's setup: a known piece with its history, and checks on it before and after the demo's work."""

import hashlib
import tempfile
from collections.abc import Mapping
from pathlib import Path

from tapscan.plan.text.reading import parse_plan
from tapscan.proving.checks import About, Check, check_setup, check_text
from tapscan.proving.keeping import HISTORY, reading_marks
from tapscan.records.inspection import SETUP, open_inspection
from tapscan.synth.folder import PLAN_FILE, write_inspection
from tapscan.synth.piece import EARLIER, PIECE_PLAN, check_files

__all__ = ["PIECE_FOLDER", "setup_files"]

PIECE_FOLDER = "known-piece"


def setup_files(part: Mapping[str, bytes]) -> dict[str, bytes]:
    """Compute the known piece and both checks, by name below the demo's folder; the same bytes every time.

    `part` are the demo's own files. Of the earlier checks only the figures are kept, not the recordings.
    """
    plan = parse_plan(part[PLAN_FILE].decode())
    marks = reading_marks({name: hashlib.sha256(content).hexdigest() for name, content in part.items()})
    files = {f"{PIECE_FOLDER}/{PLAN_FILE}": PIECE_PLAN.encode()}
    checks: list[Check] = []
    for visit in range(EARLIER + 2):
        is_after = visit == EARLIER + 1
        # The work takes the last day: before it in the morning, after it in the afternoon.
        day, hour = min(visit, EARLIER) + 1, 16 if is_after else 8
        about = About(f"2026-02-{day:02d}T{hour:02d}:00:00Z", readings=marks if is_after else {})
        taken = check_files(visit)
        with tempfile.TemporaryDirectory() as made:
            write_inspection(Path(made), taken)
            checks.append(check_setup(open_inspection(made), plan, checks, about))
        name, text = about.time.replace(":", ""), check_text(checks[-1]).encode()
        files[f"{PIECE_FOLDER}/{HISTORY}/{name}.json"] = text
        if visit >= EARLIER:
            files |= {f"{SETUP}/{name}/{path}": content for path, content in taken.items()}
            files[f"{SETUP}/{name}/check.json"] = text
    return files
