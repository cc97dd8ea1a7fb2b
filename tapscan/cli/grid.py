"""``tapscan grid``: check the plan, say what it covers, write the wraps that put the grid on the part."""

from pathlib import Path
from typing import Any

import click

from tapscan.plan import Plan
from tapscan.records.coverage import ZoneCoverage, cover
from tapscan.records.inspection import open_inspection
from tapscan.records.tables import json_text
from tapscan.screening.reach import TapOutlook, ascan_outlook, tap_outlook

__all__ = ["command"]

METHOD_NAMES = {"tap": "taps", "ascan": "A-scans"}
MISSING_SHOWN = 8


@click.command("grid")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option("--walk", is_flag=True, help="List every planned point in walking order, one a line.")
@click.option("--json", "as_json", is_flag=True, help="Print everything as JSON.")
def command(folder: Path, *, walk: bool, as_json: bool) -> None:
    """Check the plan in DIR; say what it covers and which points have readings.

    The grid is written at true size to DIR/results, one PDF for each zone and paper, to
    print at 100 %, wrap round the part and mark it through the paper.

    Points are walked station by station, each station from position 1 upward; skipped
    points are left out.

    \b
    Example:  tapscan grid my-part
              tapscan grid my-part --walk
    """  # noqa: D301 - \b is click's mark for lines kept as they are
    inspection = open_inspection(folder)
    zones, faults = cover(inspection)
    if walk and not as_json:
        for zone in zones:
            click.echo("".join(f"{name}\n" for name in zone.names(zone.is_planned)), nl=False)
        return
    wraps, too_large = _write_wraps(inspection.plan, folder)
    warnings = (*inspection.warnings, *faults, *too_large)
    if as_json:
        document = {**_document(inspection.plan, zones, warnings), "wraps": [str(path) for path in wraps]}
        click.echo(json_text(document), nl=False)
        return
    _print(inspection.plan, zones)
    if wraps:
        click.echo(f"To mark the grid: print {folder / 'results'}/wrap_*.pdf at 100 % and measure the bars.")
    for warning in warnings:
        click.echo(f"tapscan: {warning}", err=True)


def _write_wraps(plan: Plan, folder: Path) -> tuple[list[Path], list[str]]:
    # Drawing is imported only when there is something to draw: it takes longer than checking the plan.
    from tapscan.report.marking import write_templates

    return write_templates(plan, folder)


def _document(plan: Plan, zones: tuple[ZoneCoverage, ...], warnings: tuple[str, ...]) -> dict[str, Any]:
    return {
        "part": plan.part.name,
        "taps_per_point": plan.taps_per_point,
        "zones": [_zone_document(zone) for zone in zones],
        "warnings": list(warnings),
    }


def _zone_document(zone: ZoneCoverage) -> dict[str, Any]:
    area = zone.cell_area_mm2
    return {
        "code": zone.zone.code,
        "name": zone.zone.name,
        "shape": zone.zone.shape,
        "stations": zone.zone.stations,
        "positions": zone.zone.positions,
        "points": zone.is_planned.sum(),
        "skipped": (~zone.is_planned).sum(),
        "cell_area_mm2": [area.min(), area.max()],
        "area_mm2": area.sum(),
        "area_planned_mm2": zone.area_mm2(zone.is_planned),
        "area_read_mm2": zone.area_mm2(zone.is_read),
        "read": {method: read.sum() for method, read in zone.read.items()},
        "missing": {method: zone.names(zone.missing(method)) for method in zone.read},
        "walk": zone.names(zone.is_planned),
    }


def _print(plan: Plan, zones: tuple[ZoneCoverage, ...]) -> None:
    from rich.console import Console
    from rich.table import Table

    table = Table("Zone", "Grid", "Points", "Skipped", "Cell mm²", "Area cm²", "Planned", "Read")
    for zone in zones:
        area = zone.cell_area_mm2
        low, high = f"{area.min():.3g}", f"{area.max():.3g}"
        table.add_row(
            zone.zone.code,
            f"{zone.zone.shape} {zone.zone.stations}×{zone.zone.positions}",
            f"{zone.is_planned.sum():,}",
            f"{(~zone.is_planned).sum():,}",
            low if low == high else f"{low}–{high}",
            f"{area.sum() / 100:,.1f}",
            _percent(zone.area_mm2(zone.is_planned), area.sum()),
            _percent(zone.area_mm2(zone.is_read), area.sum()),
        )
    if plan.part.name:
        click.echo(plan.part.name)
    Console(highlight=False).print(table)
    for zone in zones:
        _print_zone(zone, plan.taps_per_point)
    for zone in zones:
        if "tap" in zone.read and zone.is_planned.any():
            _print_outlook(zone.zone.code, tap_outlook(plan, zone.zone))
        if "ascan" in zone.read and (told := ascan_outlook(plan, zone.zone)) is not None:
            click.echo(
                f"{zone.zone.code}: A-scans could tell delaminations {told.shallowest_mm:.2f} to "
                f"{told.deepest_mm:.2f} mm deep, from {told.reach.radius_mm:.1f} mm radius (set by "
                f"{told.reach.limit}), estimated from the pulse's length."
            )
    click.echo("The plan is in order. What is not read is not inspected; it never counts as clear.")


def _print_zone(zone: ZoneCoverage, taps_per_point: int) -> None:
    title = f"{zone.zone.code} {zone.zone.name}".strip()
    points = int(zone.is_planned.sum())
    if points == 0:
        click.echo(f"{title}: every point is skipped")
        return
    (first,), (last,) = zone.names(zone.is_planned, slice(1)), zone.names(zone.is_planned, slice(-1, None))
    click.echo(f"{title}: walk {first} to {last}, {points:,} points")
    for method, read in zone.read.items():
        line = f"  {METHOD_NAMES[method]}: {read.sum():,} of {points:,} points"
        if method == "tap":
            line += f" ({taps_per_point} taps each)"
        missing = zone.missing(method)
        if missing.any():
            more = " …" if missing.sum() > MISSING_SHOWN else ""
            line += f"; missing {', '.join(zone.names(missing, slice(MISSING_SHOWN)))}{more}"
        click.echo(line)


def _print_outlook(code: str, outlook: TapOutlook) -> None:
    """Say what taps could find, and on what assumptions."""
    from rich.console import Console
    from rich.table import Table

    if outlook.told:
        table = Table("Depth mm", "Radius from, mm", "Set by", "Points it holds")
        for one in outlook.told:
            reach = one.reach
            limit = reach.limit if one.is_thin else f"{reach.limit} (rough: too thick for the formula)"
            table.add_row(f"{reach.depth_mm:.2f}", f"{reach.radius_mm:.1f}", limit, f"{reach.points:.1f}")
        tapper = outlook.tapper
        click.echo(f"{code}: the smallest round delamination that taps could tell, estimated")
        Console(highlight=False).print(table)
        click.echo(
            f"  Estimated for a steel tip of {tapper.mass_g:g} g and {tapper.radius_mm:g} mm radius at "
            f"{tapper.force_n:g} N, thin flat clamped patches and notes up to 16 kHz. "
            "Smaller, deeper and edge damage is missed."
        )
    for warning in outlook.warnings:
        click.echo(f"  {warning}")


def _percent(part: float, whole: float) -> str:
    # Rounded down, so that 100 % means all of it; the small change keeps 20 % of a sum from reading 19.9 %.
    return f"{int(1000 * part / whole + 1e-6) / 10:g} %"
