"""The house as the design draws it, held by tests: layers, surface, cost of importing, size of functions."""

import ast
import importlib
import inspect
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

import tapscan

PACKAGE = Path(tapscan.__file__).parent
# Each may import what is below it. The package's own module hands out names of most layers.
LAYERS = [
    "cli",
    "tapscan",
    "desk",
    "report",
    "archive",
    "sectioning",
    "capture",
    "analysis",
    "proving",
    "screening",
    "records",
    "signals",
    "cutface",
    "plan",
    "physics",
    "synth",
    "pictures",
    "errors",
]
# The simulator makes what others read, so it knows the plan, the physics and the types of signals.
ALSO_ALLOWED = {"synth": {"physics", "plan", "signals"}}
MODULES = sorted(path for path in PACKAGE.rglob("*.py") if path.name != "__main__.py")
MOST_LINES = 55  # of a function without its docstring
MOST_MODULE_LINES = 400
MOST_MODULES = 12  # in a folder; a room that needs more has a second door


def dotted(path: Path) -> str:
    parts = path.relative_to(PACKAGE.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


NAMES = {dotted(path) for path in MODULES}


def imports(source: str, module: str) -> Iterator[str]:
    """Yield every tapscan module imported anywhere: at the top, in a function, for type checks, by name."""
    tree = ast.parse(source)
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names = {alias.name for alias in node.names if alias.name.split(".")[0] == "tapscan"}
            yield from names - ({"tapscan"} if takes_the_version_alone(tree) else set())
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{module} imports by dots: write the module's whole name"
            yield from imported_from(node)
        elif isinstance(node, ast.Call):
            yield from imported_by_name(node)


def takes_the_version_alone(tree: ast.AST) -> bool:
    return {
        node.attr
        for node in ast.walk(tree)
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "tapscan"
    } == {"__version__"}


def imported_from(node: ast.ImportFrom) -> Iterator[str]:
    if node.module is None or node.module.split(".")[0] != "tapscan":
        return
    for alias in node.names:
        whole = f"{node.module}.{alias.name}"
        if whole in NAMES:
            yield whole
        elif whole != "tapscan.__version__":
            yield node.module


def imported_by_name(node: ast.Call) -> Iterator[str]:
    called = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
    if called not in {"import_module", "__import__"} or not node.args:
        return
    # A name put together from pieces is known by its first piece alone.
    name = next((piece.value for piece in ast.walk(node.args[0]) if isinstance(piece, ast.Constant)), "")
    if str(name).startswith("tapscan."):
        yield str(name).rstrip(".")


def layer(module: str) -> str:
    return module.split(".")[1] if "." in module else module


def is_allowed(module: str, imported: str) -> bool:
    above, below = layer(module), layer(imported)
    if above == below or below in ALSO_ALLOWED.get(above, set()):
        return True
    return LAYERS.index(above) < LAYERS.index(below)


@pytest.mark.parametrize("path", MODULES, ids=dotted)
def test_imports_run_downward_only(path):
    module = dotted(path)
    source = path.read_text(encoding="utf-8")
    upward = {name for name in imports(source, module) if not is_allowed(module, name)}
    assert not upward, f"{module} reaches up to {', '.join(sorted(upward))}"


def test_the_walk_over_imports_sees_every_kind_of_them():
    source = """
import tapscan.report
from tapscan import analysis, __version__
from typing import TYPE_CHECKING
if TYPE_CHECKING:
    from tapscan.cli import main
def late():
    from tapscan.screening.results import Screened
    import_module("tapscan.records")
    importlib.import_module("tapscan.plan")
"""
    assert sorted(imports(source, "tapscan.signals")) == [
        "tapscan.analysis",
        "tapscan.cli",
        "tapscan.plan",
        "tapscan.records",
        "tapscan.report",
        "tapscan.screening.results",
    ]
    assert not is_allowed("tapscan.signals.taps.finding", "tapscan.records")
    assert not is_allowed("tapscan.analysis", "tapscan.report")
    assert is_allowed("tapscan.records.taking.walking", "tapscan.signals")


def test_no_two_modules_need_each_other():
    needs = {
        dotted(path): set(imports(path.read_text(encoding="utf-8"), dotted(path))) - {dotted(path)}
        for path in MODULES
    }
    done: set[str] = set()

    def visit(module: str, way: tuple[str, ...]) -> None:
        assert module not in way, f"a circle of imports: {' > '.join((*way, module))}"
        if module not in done:
            for needed in sorted(needs.get(module, ())):
                visit(needed, (*way, module))
            done.add(module)

    for module in needs:
        visit(module, ())


def test_no_room_is_crowded():
    """A folder of more modules hides which belong together; `cli` has a file for each command."""
    crowded = {
        folder.relative_to(PACKAGE).as_posix(): count
        for folder in {path.parent for path in MODULES}
        if (count := len(list(folder.glob("*.py")))) > MOST_MODULES and folder.name != "cli"
    }
    assert not crowded


# The stages of a zone in the order of a reading's way; `screen` alone calls them, one after the other.
STAGES = {
    "tapscan.screening.taps": ("readings", "points", "baseline", "damage", "calls"),
    "tapscan.screening.echoes": ("readings", "baseline", "calls", "thickness"),
}


@pytest.mark.parametrize("room", STAGES)
def test_a_reading_returns_to_no_stage_that_it_has_left(room):
    """A stage takes the data of stages before it and calls none: so its caller reads as a paragraph."""
    for stage in STAGES[room]:
        module = importlib.import_module(f"{room}.{stage}")
        for other in STAGES[room]:
            theirs = importlib.import_module(f"{room}.{other}")
            taken = {name for name in theirs.__all__ if getattr(module, name, None) is getattr(theirs, name)}
            called = {name for name in taken if inspect.isfunction(getattr(theirs, name))}
            assert other == stage or not called, f"{stage} calls {', '.join(called)} of {other}"
    way = (PACKAGE.parent / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert " → ".join(STAGES[room]) in way


def test_every_layer_is_known():
    assert {layer(name) for name in NAMES} <= set(LAYERS)


@pytest.mark.parametrize("path", MODULES, ids=dotted)
def test_every_module_says_what_is_public(path):
    module = importlib.import_module(dotted(path))
    assert module.__doc__, f"{module.__name__} does not say what it is for"
    if len(ast.parse(path.read_text(encoding="utf-8")).body) == 1:
        return  # a package that holds modules and has nothing of its own to make public
    assert hasattr(module, "__all__"), f"{module.__name__} has no __all__"
    assert all(hasattr(module, name) for name in module.__all__)
    assert len(set(module.__all__)) == len(module.__all__)


@pytest.mark.parametrize("path", MODULES, ids=dotted)
def test_function_bodies_fit_a_screen(path):
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            body = node.body[1:] if ast.get_docstring(node) is not None else node.body
            lines = node.end_lineno - body[0].lineno + 1 if body else 0
            assert lines <= MOST_LINES, f"{dotted(path)}.{node.name} has {lines} lines"


@pytest.mark.parametrize("path", MODULES, ids=dotted)
def test_modules_are_read_in_one_sitting(path):
    lines = len(path.read_text(encoding="utf-8").splitlines())
    assert lines <= MOST_MODULE_LINES, f"{dotted(path)} has {lines} lines: move what has another reason to be"


def test_the_public_surface():
    assert sorted(tapscan.__all__) == ["TapscanError", "__version__", "analyse", "compare", "open_inspection"]
    signals = importlib.import_module("tapscan.signals")
    assert {"find_taps", "tap_features", "fit_modes", "find_echoes"} <= set(signals.__all__)
    for name in tapscan.__all__:
        assert hasattr(tapscan, name)
    with pytest.raises(AttributeError, match="analyze"):
        tapscan.analyze  # noqa: B018 - the look-up itself is the test


HEAVY = [
    "numpy",
    "scipy",
    "scipy.signal",
    "scipy.optimize",
    "scipy.stats",
    "matplotlib",
    "rich",
    "pydantic",
    "soundfile",
    "jinja2",
    "librosa",
    "sounddevice",
    "starlette",
    "uvicorn",
    "tomlkit",
]


def loaded_by(code: str) -> set[str]:
    """The heavy packages that a fresh interpreter has loaded after running `code`."""
    report = f"import sys; print('loaded:', *(name for name in {HEAVY} if name in sys.modules))"
    run = subprocess.run(
        [sys.executable, "-c", f"{code}\n{report}"], capture_output=True, text=True, check=True
    )
    return set(run.stdout.rpartition("loaded:")[2].split())


def test_the_look_at_what_is_loaded_is_not_blind():
    assert loaded_by("import numpy") == {"numpy"}


def test_importing_the_package_loads_nothing_heavy():
    assert (
        loaded_by("import tapscan; tapscan.TapscanError; tapscan.open_inspection; tapscan.analyse") == set()
    )


@pytest.mark.parametrize("words", [["--help"], ["-h"], ["--version"], []])
def test_the_first_help_loads_nothing_heavy(words):
    code = f"from tapscan.cli import main\ntry: main({words!r})\nexcept SystemExit: pass"
    assert loaded_by(code) == set()


def test_signals_and_records_load_little_when_imported():
    # scipy here is its transforms alone, which cost a few hundredths of a second.
    assert loaded_by("import tapscan.signals") <= {"numpy", "scipy"}
    assert loaded_by("import tapscan.records") <= {"numpy", "pydantic"}
