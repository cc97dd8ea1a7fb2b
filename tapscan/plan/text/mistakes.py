"""What is wrong with a plan, all of it at once: each mistake with its place, key, value and remedy."""

from typing import TYPE_CHECKING, Any

from tapscan.errors import MistakesError, TapscanError, nearest
from tapscan.plan.text.setup_tables import KnownTable
from tapscan.plan.text.tables import HINTS, TABLES, PlanTable

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pydantic_core import ErrorDetails

    Path = tuple[str | int, ...]

__all__ = ["PLAN_NAME", "PlanMistakeError", "all_of", "explained", "where_of"]

PLAN_NAME = "inspection.toml"


class PlanMistakeError(TapscanError):
    """One mistake in the plan; `path` leads to its key, for example ``("zone", 0, "girth_mm")``."""

    def __init__(self, path: "Path", where: str, what: str, remedy: str) -> None:
        super().__init__(where, what, remedy)
        self.path = path


def all_of(mistakes: "Sequence[TapscanError]") -> TapscanError:
    """Return one error that carries all mistakes; the mistake itself when there is only one."""
    return mistakes[0] if len(mistakes) == 1 else MistakesError(mistakes)


def explained(problems: "Sequence[ErrorDetails]", document: dict[str, Any]) -> list[PlanMistakeError]:
    """Turn the validation library's complaints into sentences of our own, unknown keys first.

    A key that is missing because it is misspelt ("girht_mm") is one mistake, not two.
    """
    unknown = [one for one in problems if one["type"] == "extra_forbidden"]
    others = [one for one in problems if one["type"] != "extra_forbidden"]
    misspelt = {(*one["loc"][:-1], nearest(str(one["loc"][-1]), _known(one["loc"]))) for one in unknown}
    kept = [one for one in others if one["type"] != "missing" or one["loc"] not in misspelt]
    return [_mistake(one, document) for one in (*unknown, *kept)]


def where_of(path: "Path", document: dict[str, Any]) -> str:
    """Name the table that a path leads into, a zone by its code."""
    if len(path) < 2:  # a path of one is a key at the top of the file
        return PLAN_NAME
    if path[0] == "zone" and isinstance(path[1], int):
        table = document["zone"][path[1]]
        code = table.get("code") if isinstance(table, dict) else None
        name = f'zone "{code}"' if isinstance(code, str) else f"zone number {path[1] + 1}"
        return f"{PLAN_NAME}: {name}"
    return f"{PLAN_NAME}: [{path[0]}]"


def _mistake(problem: "ErrorDetails", document: dict[str, Any]) -> PlanMistakeError:
    path = tuple(step for step in problem["loc"] if step not in ("float", "int"))
    # A number in the path counts the entries of a list; the key is what the list is called.
    key = str(next((step for step in reversed(path) if isinstance(step, str)), ""))
    what, remedy = _complaint(problem["type"], key, path) or _unfit_value(problem, key)
    return PlanMistakeError(path, where_of(path, document), what, remedy)


def _known(path: "Path") -> list[str]:
    if "known" in path[:-1]:
        return list(KnownTable.model_fields)
    return list(PlanTable.model_fields if len(path) == 1 else TABLES[str(path[0])].model_fields)


def _complaint(kind: str, key: str, path: "Path") -> tuple[str, str] | None:
    """Say what is wrong with a key that is unknown, missing or no table; None when the value is."""
    if kind == "extra_forbidden":
        return f"unknown key {key!r}", _where_it_belongs(key, path)
    if key == "zone" and kind in {"missing", "too_short"}:
        return "holds no zone", "add a [[zone]] table"
    if kind == "missing":
        return f"{key} is missing", f"add {key} = …, {HINTS.get(key, 'see tapscan new')}"
    if key == "zone":
        return "zone is not a list of tables", "begin each zone with [[zone]], in two brackets"
    if kind == "model_type":
        return f"{key} is not a table", f"put [{key}] on a line of its own, and its keys below"
    return None


def _where_it_belongs(key: str, path: "Path") -> str:
    """Find a remedy for an unknown key: the one meant here, else the table that has a key of this name."""
    close = nearest(key, _known(path))
    if close:
        return f"did you mean {close}?"
    if key in PlanTable.model_fields:
        return f"move it to the top of the file, above the first table: {key} = …"
    homes = [name for name, table in TABLES.items() if key in table.model_fields]
    if homes:
        return f"move it into the table {'[[zone]]' if homes[0] == 'zone' else f'[{homes[0]}]'}"
    return f"known here: {', '.join(_known(path))}"


def _unfit_value(problem: "ErrorDetails", key: str) -> tuple[str, str]:
    value = problem["input"]
    shown = repr(value) if isinstance(value, (str, int, float, bool)) else f"a {type(value).__name__}"
    what, remedy = (
        f"{key} = {shown} is not accepted",
        f"give {HINTS[key]}" if key in HINTS else "correct the value",
    )
    if problem["type"] == "slipped_unit":
        remedy = f"write it in mm: {value:g} m are {1000 * value:g} mm"
        return f"{key} = {shown} is far too small for millimetres", remedy
    if problem["type"] == "no_date":
        return f"{key} = {shown} is not a date", f"write {HINTS[key]}, or leave it empty"
    if problem["type"] == "string_pattern_mismatch":
        return what, remedy
    return f"{what}: {problem['msg'][0].lower()}{problem['msg'][1:]}", remedy
