"""Findings asked for one by one, in the order in which somebody at the bench has them at hand."""

import sys
from collections.abc import Callable, Iterator
from typing import Any, TypeVar

import click

from tapscan.errors import TapscanError
from tapscan.plan.zones import Plan
from tapscan.sectioning.cautions import EDGE_QUESTION
from tapscan.sectioning.findings.csv_text import parse_cause, parse_photo, parse_size
from tapscan.sectioning.findings.places import parse_places
from tapscan.sectioning.findings.recorded import CAUSES, SEPARATIONS, Finding, Kind

__all__ = ["KEYS", "ask_findings"]

Answer = TypeVar("Answer")

_MENU = "Key"

KEYS: dict[str, Kind] = {
    "d": "delamination",
    "b": "disbond",
    "v": "void",
    "p": "porosity",
    "w": "wrinkle",
    "r": "resin pool",
    "a": "adhesive thickness",
    "m": "foreign matter",
    "f": "fibre break",
    "c": "crack",
    "l": "planar void",
    "i": "missing isolation",
    "n": "none",
}


class _NoMoreError(Exception):
    """Nobody is there to answer."""


def ask_findings(plan: Plan) -> Iterator[Finding]:
    """Ask for findings until an empty answer, and yield each as soon as it is complete.

    What is wrong is said at once, and asked again. The end of the input ends it.
    """
    seen_by: str | None = None
    try:
        while True:
            kind = _ask(_menu(), _key)
            if kind is None:
                return
            if seen_by is None:  # it is the same for all that follow
                seen_by = _ask("How did you look (loupe, polished and dyed; Enter to leave out)", str)
            yield _finding(kind, seen_by, plan)
    except _NoMoreError:
        click.echo()


def _finding(kind: Kind, seen_by: str, plan: Plan) -> Finding:
    zone, blocks = _ask(
        "Where (BM-07-05, a block BM-07-11:09-02, a whole station BM-07)",
        lambda text: parse_places(text, plan, "Where"),
    )
    sizes: dict[str, Any] = {}
    defect = ""
    if kind != "none":
        questions = {
            "depth_mm": "Depth below the surface",
            "length_mm": "Length along the part",
            "width_mm": "Width round the girth or across",
        }
        if kind == "adhesive thickness":
            questions = {"thickness_mm": "Thickness of the adhesive"}
        for name, question in questions.items():
            sizes[name] = _ask(f"{question}, mm (Enter: not measured)", lambda text: parse_size(text, "Size"))
        sizes |= _origin(kind)
        defect = _ask("Name of the defect, if other cuts show the same one (Enter: none)", str)
    photo = _ask("Photo, a file in this folder (Enter: none)", lambda text: parse_photo(text, "Photo"))
    note = _ask("Note (Enter: none)", str)
    return Finding(kind, zone.code, blocks, defect=defect, photo=photo, seen_by=seen_by, note=note, **sizes)


def _origin(kind: Kind) -> dict[str, Any]:
    """Ask what made a flaw, and for a crack or a separation what it runs from."""
    if kind in SEPARATIONS:
        click.echo(f"  {EDGE_QUESTION}")
    words = f"What made it: {', '.join(CAUSES)} (Enter: unknown)"
    result: dict[str, Any] = {"cause": _ask(words, lambda text: parse_cause(text, "Cause"))}
    if kind in SEPARATIONS or kind == "crack":
        result["starts_at"] = _ask("The flaw that it runs from, its name or words (Enter: none)", str)
    return result


def _menu() -> str:
    words = [f"{key} {'nothing there' if kind == 'none' else kind}" for key, kind in KEYS.items()]
    lines = "\n  ".join("  ".join(row) for row in (words[:5], words[5:9], words[9:]))
    return f"\nWhat did the cut show?\n  {lines}\nKey (Enter: no more)"


def _key(text: str) -> Kind | None:
    if not text:
        return None
    kind = KEYS.get(text.lower()) or next((kind for kind in KEYS.values() if kind == text.lower()), None)
    if kind is None:
        what = f"{text!r} is none of the keys"
        raise TapscanError(_MENU, what, f"one of {' '.join(KEYS)}")
    return kind


def _ask(question: str, read: Callable[[str], Answer]) -> Answer:
    while True:
        click.echo(f"{question}: ", nl=False)
        line: str = sys.stdin.readline()
        if not line:
            raise _NoMoreError
        try:
            return read(line.strip())
        except TapscanError as error:
            click.echo(f"  {error}")
