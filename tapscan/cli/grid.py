"""``tapscan grid``: check the plan, and say what it covers."""

from pathlib import Path
from typing import Any

import click

from tapscan.plan import Plan
from tapscan.records.coverage import ZoneCoverage, cover
from tapscan.records.inspection import open_inspection
from tapscan.records.tables import json_text

__all__ = ["command"]

METHOD_NAMES = {"tap": "taps", "ascan": "A-scans"}
MISSING_SHOWN = 8


@click.command("grid")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option("--walk", is_flag=True, help="List every planned point in walking order, one a line.")
@click.option("--json", "as_json", is_flag=True, help="Print everything as JSON.")
def command(folder: Path, *, walk: bool, as_json: bool) -> None:
    """Check the plan in DIR; say what it covers and which points have readings.

    Points are walked station by station, each station from position 1 upward; skipped
    points are left out.

    \b
    Example:  tapscan grid my-part
              tapscan grid my-part --walk
    """  # noqa: D301 - \b is click's mark for lines kept as they are
    inspection = open_inspection(folder)
    zones, faults = cover(inspection)
    warnings = (*inspection.warnings, *faults)
    if as_json:
        click.echo(json_text(_document(inspection.plan, zones, warnings)), nl=False)
        return
    if walk:
        for zone in zones:
            click.echo("\n".join(map(str, zone.walk)))
        return
    _print(inspection.plan, zones)
    for warning in warnings:
        click.echo(f"tapscan: {warning}", err=True)


def _document(plan: Plan, zones: tuple[ZoneCoverage, ...], warnings: tuple[str, ...]) -> dict[str, Any]:
    return {
        "part": plan.part.name,
        "taps_per_point": plan.taps_per_point,
        "zones": [
            {
                "code": zone.zone.code,
                "name": zone.zone.name,
                "shape": zone.zone.shape,
                "stations": zone.zone.stations,
                "positions": zone.zone.positions,
                "points": len(zone.walk),
                "skipped": zone.skipped,
                "cell_area_mm2": list(zone.cell_area_mm2),
                "area_mm2": zone.area_mm2,
                "area_planned_mm2": zone.area_planned_mm2,
                "area_read_mm2": zone.area_read_mm2,
                "read": zone.read,
                "missing": {method: list(map(str, points)) for method, points in zone.missing.items()},
                "walk": list(map(str, zone.walk)),
            }
            for zone in zones
        ],
        "warnings": list(warnings),
    }


def _print(plan: Plan, zones: tuple[ZoneCoverage, ...]) -> None:
    from rich.console import Console
    from rich.table import Table

    table = Table("Zone", "Grid", "Points", "Skipped", "Cell mm²", "Area cm²", "Planned", "Read")
    for zone in zones:
        low, high = zone.cell_area_mm2
        table.add_row(
            zone.zone.code,
            f"{zone.zone.shape} {zone.zone.stations}×{zone.zone.positions}",
            f"{len(zone.walk):,}",
            f"{zone.skipped:,}",
            f"{low:.3g}" if f"{low:.3g}" == f"{high:.3g}" else f"{low:.3g}–{high:.3g}",
            f"{zone.area_mm2 / 100:,.4g}",
            _percent(zone.area_planned_mm2, zone.area_mm2),
            _percent(zone.area_read_mm2, zone.area_mm2),
        )
    if plan.part.name:
        click.echo(plan.part.name)
    Console(highlight=False).print(table)
    for zone in zones:
        _print_zone(zone, plan.taps_per_point)
    click.echo("The plan is in order. What is not read is not inspected; it never counts as clear.")


def _print_zone(zone: ZoneCoverage, taps_per_point: int) -> None:
    code, points = zone.zone.code, zone.walk
    title = f"{code} {zone.zone.name}".strip()
    if not points:
        click.echo(f"{title}: every point is skipped")
        return
    click.echo(f"{title}: walk {points[0]} to {points[-1]}, {len(points):,} points")
    for method, count in zone.read.items():
        missing = zone.missing[method]
        line = f"  {METHOD_NAMES[method]}: {count:,} of {len(points):,} points"
        if method == "tap":
            line += f" ({taps_per_point} taps each)"
        if missing:
            shown = ", ".join(map(str, missing[:MISSING_SHOWN]))
            line += f"; missing {shown}{' …' if len(missing) > MISSING_SHOWN else ''}"
        click.echo(line)


def _percent(part: float, whole: float) -> str:
    # Rounded down, so that 100 % means all of it.
    return f"{int(1000 * part / whole) / 10:g} %"
