"""``tapscan grid``: check the plan, say what it covers, write the wraps that put the grid on the part."""

from pathlib import Path
from typing import Any

import click

from tapscan.cli.warning import warn
from tapscan.plan import Plan, placed
from tapscan.plan.points import in_words
from tapscan.records.coverage import ZoneCoverage, cover
from tapscan.records.inspection import open_inspection
from tapscan.records.places import without_places
from tapscan.records.tables import json_text
from tapscan.screening.reach import Outlook, TapOutlook, outlook_of

__all__ = ["command"]

METHOD_NAMES = {"tap": "taps", "ascan": "A-scans"}
MISSING_SHOWN = 8


@click.command("grid")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option("--walk", is_flag=True, help="List every planned point in walking order, one a line.")
@click.option("--strip-place", is_flag=True, help="Take out of photos where they were taken.")
@click.option("--json", "as_json", is_flag=True, help="Print everything as JSON.")
def command(folder: Path, *, walk: bool, strip_place: bool, as_json: bool) -> None:
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
    if strip_place:
        inspection = without_places(inspection)
    zones, faults = cover(inspection)
    if walk and not as_json:
        for zone in zones:
            click.echo("".join(f"{name}\n" for name in zone.names(zone.is_planned)), nl=False)
        return
    outlooks = [
        outlook_of(inspection.plan, zone.zone, zone.read if zone.is_planned.any() else ()) for zone in zones
    ]
    wraps, too_large, pictures = _draw(inspection.plan, outlooks, folder)
    seen = _known_piece(folder)
    warnings = (*inspection.warnings, *faults, *too_large)
    if as_json:
        document = _document(inspection.plan, zones, outlooks, warnings)
        written = {"wraps": [str(path) for path in wraps], "pictures": [str(path) for path in pictures]}
        written["known_piece"] = seen
        click.echo(json_text({**document, **written}), nl=False)
        return
    _print(inspection.plan, zones, outlooks)
    for line in seen:
        click.echo(line)
    if pictures:
        click.echo(f"What could be found, as pictures: {folder / 'results'}/detectable_*.png")
    squares = f"{folder / 'results'}/scale_squares_*.pdf"
    click.echo(f"For the scale of photos of odd shapes and of cuts: print {squares} at 100 %.")
    if wraps:
        named = {path.name.split("_")[0] for path in wraps}
        files = " and ".join(f"{folder / 'results'}/{kind}_*.pdf" for kind in sorted(named, reverse=True))
        click.echo(f"To mark the grid: print {files} at 100 % and measure the bars.")
    warn(warnings)


def _draw(plan: Plan, outlooks: list[Outlook], folder: Path) -> tuple[list[Path], list[str], list[Path]]:
    """Write the wraps and the pictures; say which wraps were too large."""
    # Drawing is imported only when there is something to draw: it takes longer than checking the plan.
    from tapscan.report.maps.detectable import write_detectable
    from tapscan.report.marking.files import write_templates

    wraps, too_large = write_templates(plan, folder)
    return wraps, too_large, write_detectable(outlooks, folder)


def _known_piece(folder: Path) -> list[str]:
    """Say what the last checks of the setup found on the known piece, by each method."""
    from tapscan.proving.keeping import part_checks
    from tapscan.proving.proof import when
    from tapscan.proving.words import found_sentences

    latest: dict[str, list[str]] = {}
    for check in part_checks(folder, []):
        for one in check.judged:
            lines = found_sentences(one.figures)
            latest[one.figures.method] = [
                f"{line} ({check.piece}, {when(check.about.time)})" for line in lines
            ]
    return [line for lines in latest.values() for line in lines]


def _document(
    plan: Plan, zones: tuple[ZoneCoverage, ...], outlooks: list[Outlook], warnings: tuple[str, ...]
) -> dict[str, Any]:
    return {
        "part": plan.part.name,
        "taps_per_point": plan.taps_per_point,
        "zones": [
            {**_zone_document(zone), "detectable": outlook.document()}
            for zone, outlook in zip(zones, outlooks, strict=True)
        ],
        "warnings": list(warnings),
    }


def _zone_document(zone: ZoneCoverage) -> dict[str, Any]:
    area = zone.cell_area_mm2[placed(zone.zone)]
    return {
        "code": zone.zone.code,
        "name": zone.zone.name,
        "shape": zone.zone.shape,
        "stations": zone.zone.stations,
        "positions": zone.zone.positions,
        "points": zone.is_planned.sum(),
        "skipped": (placed(zone.zone) & ~zone.is_planned).sum(),
        "cell_area_mm2": [area.min(), area.max()],
        "area_mm2": area.sum(),
        "area_planned_mm2": zone.area_mm2(zone.is_planned),
        "area_read_mm2": zone.area_mm2(zone.is_read),
        "read": {method: read.sum() for method, read in zone.read.items()},
        "reference": zone.names(zone.is_reference),
        "missing": {method: zone.names(zone.missing(method)) for method in zone.read},
        "walk": zone.names(zone.is_planned),
    }


def _print(plan: Plan, zones: tuple[ZoneCoverage, ...], outlooks: list[Outlook]) -> None:
    from rich.console import Console
    from rich.table import Table

    table = Table("Zone", "Grid", "Points", "Skipped", "Cell mm²", "Area cm²", "Planned", "Read")
    for zone in zones:
        area = zone.cell_area_mm2[placed(zone.zone)]
        low, high = f"{area.min():.3g}", f"{area.max():.3g}"
        table.add_row(
            zone.zone.code,
            f"{zone.zone.shape} {zone.zone.stations}×{zone.zone.positions}",
            f"{zone.is_planned.sum():,}",
            f"{(placed(zone.zone) & ~zone.is_planned).sum():,}",
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
    for outlook in outlooks:
        _print_outlook(outlook)
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
    if zone.zone.layout is not None:
        from tapscan.report.marking.photo_sheets import scale_sentences

        for line in scale_sentences(zone.zone.layout):
            click.echo(f"  {line}")
    if zone.zone.same_points_as:
        click.echo(
            f"  points with names of zone {zone.zone.same_points_as} are its points: one set of readings"
        )
    if zone.zone.reference:
        named = ", ".join(f"{block} ({in_words(block)})" for block in zone.zone.reference)
        click.echo(f"  reference: {named}; {zone.is_reference.sum():,} points taken as sound")


def _print_outlook(outlook: Outlook) -> None:
    """Say what could be found in a zone, and on what assumptions."""
    code = outlook.zone.code
    if outlook.taps is not None and outlook.taps.detectable:
        _print_taps(code, outlook.taps)
    if outlook.ascans is not None and outlook.ascans.detectable is not None:
        from tapscan.report.maps.detectable import ascan_sentence

        click.echo(
            "\n  ".join(
                filter(None, (f"{code}: {ascan_sentence(outlook.ascans)}", *outlook.ascans.assumptions))
            )
        )
    for warning in outlook.warnings:
        click.echo(f"  {warning}")


def _print_taps(code: str, taps: TapOutlook) -> None:
    from rich.console import Console
    from rich.table import Table

    from tapscan.report.maps.detectable import TAP_HEADS, tap_rows

    table = Table(*TAP_HEADS)
    for row in tap_rows(taps.detectable):
        table.add_row(*row)
    click.echo(f"{code}: the smallest round delamination that taps could detect, in mm across, estimated")
    Console(highlight=False).print(table)
    for line in taps.assumptions:
        click.echo(f"  {line}")


def _percent(part: float, whole: float) -> str:
    # Rounded down, so that 100 % means all of it; the small change keeps 20 % of a sum from reading 19.9 %.
    return f"{int(1000 * part / whole + 1e-6) / 10:g} %"
