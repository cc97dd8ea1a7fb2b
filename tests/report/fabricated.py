"""Screened zones made up to look at and test the report: no signal behind them, only plausible numbers."""

from dataclasses import asdict, replace
from pathlib import Path

import numpy as np

from tapscan.analysis import Results
from tapscan.plan import Block, Laminate, Part, Plan, Zone, block_mask, point_name, s_mm, x_mm
from tapscan.records import Inspection
from tapscan.screening.areas.agreement import agreement
from tapscan.screening.results import (
    CLEAR,
    SKIPPED,
    SUSPECT,
    UNREAD,
    AScanEvidence,
    Indication,
    Screened,
    TapEvidence,
)

LAMINATE = Laminate(1.6, 60.0, 0.3, 1550.0, 2950.0)


def tube(code="BM", stations=40, positions=12, end_mm=120.0, **changes):
    zone = Zone(
        code=code,
        name="Main boom",
        shape="tube",
        stations=stations,
        positions=positions,
        station_pitch_mm=10.0,
        girth_start_mm=120.0 * positions / 12,
        girth_end_mm=end_mm * positions / 12,
        position_pitch_mm=None,
        laminate=LAMINATE,
    )
    return replace(zone, **changes)


def panel(code="PL", stations=24, positions=16, **changes):
    zone = Zone(
        code=code,
        name="Seat panel",
        shape="panel",
        stations=stations,
        positions=positions,
        station_pitch_mm=5.0,
        girth_start_mm=None,
        girth_end_mm=None,
        position_pitch_mm=5.0,
        laminate=LAMINATE,
    )
    return replace(zone, **changes)


def disc(zone, station, position, radius_mm):
    """Points within a radius of a point (all counted from 1), across the seam where there is one."""
    x, s = x_mm(zone), s_mm(zone)
    across = s - s[station - 1, position - 1]
    if zone.is_tube:
        girth = zone.girth_start_mm
        across = (across + girth / 2) % girth - girth / 2
    return np.hypot(x - x[station - 1, position - 1], across) <= radius_mm


def round_indication(zone, method, number, centre, radius_mm, depth_mm=None):
    """An indication with a round outline about a point; s runs below 0 or past the girth across the seam."""
    station, position = centre
    x0 = float(x_mm(zone)[station - 1, position - 1])
    s0 = float(s_mm(zone)[station - 1, position - 1])
    angle = np.linspace(0, 2 * np.pi, 25)
    outline = tuple(
        (float(x), float(s))
        for x, s in zip(x0 + radius_mm * np.cos(angle), s0 + radius_mm * np.sin(angle), strict=True)
    )
    girth = zone.girth_start_mm if zone.is_tube else np.inf
    area = float(np.pi * radius_mm**2)
    letter = "T" if method == "tap" else "A"
    return Indication(
        id=f"{zone.code}-{letter}{number}",
        zone=zone.code,
        method=method,
        points=tuple(
            point_name(zone.code, int(i) + 1, int(p) + 1)
            for i, p in np.argwhere(disc(zone, *centre, radius_mm))
        ),
        area_mm2=area,
        area_low_mm2=0.7 * area,
        area_high_mm2=1.5 * area,
        x_mm=(x0 - radius_mm, x0 + radius_mm),
        s_mm=((s0 - radius_mm) % girth, (s0 + radius_mm) % girth)
        if zone.is_tube
        else (s0 - radius_mm, s0 + radius_mm),
        depth_mm=depth_mm,
        peak_point=point_name(zone.code, station, position),
        score=2.6 - 0.01 * number,
        outline=(outline,),
    )


def tapped(zone, spots=((14, 1, 16.0), (30, 7, 14.0)), unread=(), reasons=("silent", "clipped"), seed=1):
    """A tapped zone: a suspect disc per (station, position, radius), unread points at (station, position)."""
    rng = np.random.default_rng(seed)
    suspect = np.zeros(zone.grid_shape, dtype=bool)
    score = np.clip(np.sqrt(rng.chisquare(6, zone.grid_shape) / 17), 0, 0.98)
    for station, position, radius_mm in spots:
        suspect |= disc(zone, station, position, radius_mm)
    score[suspect] = 1.2 + 1.5 * rng.random(int(suspect.sum()))
    status, reason, score = _judged(zone, suspect, score, unread, reasons)
    band_hz = 400.0 * 2 ** (np.arange(68) / 12)
    expected = np.broadcast_to(
        -18 - 9 * np.abs(np.log2(band_hz / 2600)) ** 1.3, (*zone.grid_shape, 68)
    ).copy()
    spectrum = expected + rng.normal(0, 1.4, expected.shape)
    spectrum += suspect[..., None] * (9 * np.exp(-((np.log2(band_hz / 1100) / 0.4) ** 2)) - 4)
    spectrum[status == UNREAD] = np.nan
    features = {
        "centroid_hz": np.where(np.isnan(score), np.nan, rng.normal(3200, 120, zone.grid_shape)),
        "damage_probability": 1 / (1 + 10 ** (1 - score)),
    }
    return Screened(
        zone=zone,
        method="tap",
        status=status,
        reason=reason,
        score=score,
        p_value=np.exp(-score),
        is_reference=block_mask(zone, zone.reference),
        features=features,
        indications=tuple(
            round_indication(zone, "tap", n, (station, position), radius_mm)
            for n, (station, position, radius_mm) in enumerate(spots, 1)
        ),
        baseline="Good is what most of this zone sounds like; it rests on 438 readings.",
        evidence=TapEvidence(band_hz, spectrum, expected, np.full(expected.shape, 1.5)),
    )


def scanned(zone, spots=((8, 6, 12.0),), unread=(), reasons=("no echo", "saturated"), seed=2):
    """A zone of A-scans: an echo at 0.6 mm depth and a weak back wall inside each disc."""
    rng = np.random.default_rng(seed)
    suspect = np.zeros(zone.grid_shape, dtype=bool)
    for station, position, radius_mm in spots:
        suspect |= disc(zone, station, position, radius_mm)
    score = np.abs(rng.normal(0.1, 0.07, zone.grid_shape)) + 1.6 * suspect
    status, reason, score = _judged(zone, suspect, score, unread, reasons)
    read = ~np.isnan(score)
    depth = np.where(suspect & read, 0.6 + rng.normal(0, 0.02, zone.grid_shape), np.nan)
    wall_us = np.where(read, 2.0 + 2 * 1.6 / 2.95, np.nan)
    echo_us = 2.0 + 2 * depth / 2.95
    time_us = np.arange(512) / 100.0
    traces = np.zeros((*zone.grid_shape, 512))
    for at_us, height in (
        (np.full(zone.grid_shape, 2.0), 1.0),
        (echo_us, 0.5),
        (wall_us, np.where(suspect, 0.06, 0.4)),
    ):
        away = time_us - at_us[..., None]
        traces += np.nan_to_num(
            np.asarray(height)[..., None] * np.exp(-((away / 0.11) ** 2)) * np.cos(2 * np.pi * 5 * away)
        )
    traces += rng.normal(0, 0.008, traces.shape)
    traces[~read] = np.nan
    good = np.argwhere(read & ~suspect)
    return Screened(
        zone=zone,
        method="ascan",
        status=status,
        reason=reason,
        score=score,
        p_value=np.exp(-score),
        is_reference=block_mask(zone, zone.reference),
        features={
            "depth_mm": depth,
            "backwall_db": np.where(read, -8 + rng.normal(0, 0.4, zone.grid_shape) - 16 * suspect, np.nan),
        },
        indications=tuple(
            round_indication(zone, "ascan", n, (station, position), radius_mm, 0.6)
            for n, (station, position, radius_mm) in enumerate(spots, 1)
        ),
        baseline="Good is the back-wall echo of most of this zone; it rests on 340 traces.",
        evidence=AScanEvidence(
            traces=traces,
            sample_rate_hz=1e8,
            front_us=np.where(read, 2.0, np.nan),
            echo_us=echo_us,
            backwall_us=wall_us,
            typical_trace=traces[tuple(good[0])] if len(good) else np.full(512, np.nan),
        ),
    )


def _judged(zone, suspect, score, unread, reasons):
    status = np.where(suspect, SUSPECT, CLEAR).astype("U8")
    reason = np.full(zone.grid_shape, "", dtype="U20")
    for n, (station, position) in enumerate(unread):
        status[station - 1, position - 1] = UNREAD
        reason[station - 1, position - 1] = reasons[n % len(reasons)]
    status[block_mask(zone, zone.skip)] = SKIPPED
    reason[status == SKIPPED] = ""
    return status, reason, np.where(np.isin(status, (CLEAR, SUSPECT)), score, np.nan)


def plan_of(*zones, **part):
    return Plan(
        part=Part(**{"name": "Recumbent trike, main boom", "history": "Struck by a garage door", **part}),
        zones=zones,
        taps_per_point=3,
        sample_rate_mhz=100.0,
        centre_frequency_mhz=5.0,
        false_call_rate=0.01,
        has_tap_table=True,
        has_ascan_table=True,
    )


def boom():
    """The usual example: an indication across the seam, unread points, a skipped block, references."""
    zone = tube(reference=(Block(1, 6, 6, 12),), skip=(Block(20, 5, 21, 6),))
    unread = [(25, 3), (25, 4), (26, 3), (26, 4), (33, 12), (34, 12), (3, 2), (14, 3)]
    return tapped(zone, unread=unread)


def results_of(*screened, folder=Path("my-part"), warnings=(), **part):
    """Results as the main job hands them over."""
    zones = {one.zone.code: one.zone for one in screened}
    plan = plan_of(*zones.values(), **part)
    inspection = Inspection(folder, plan, {}, {}, {}, tuple(warnings))
    summary = {
        "version": "0.1.0",
        "run": "5eed" * 16,
        "settings": asdict(plan),
        "counts": [],
        "agreement": agreement(screened),
        "warnings": list(warnings),
        "inputs": {"inspection.toml": "0" * 64, "taps/BM-01-01.wav": "ab" * 32},
    }
    return Results(inspection, tuple(screened), summary, lambda _: folder)
