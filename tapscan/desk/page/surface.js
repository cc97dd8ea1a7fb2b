// Where points are: on the sheet that a zone makes when it is unrolled, and on the round part.
// A column counts positions from 0; column 0 is the datum line. Stations count from 0 here.

const YAW = (20 * Math.PI) / 180; // how far the round part is turned, so that it shows as round

const two = (number) => String(number).padStart(2, "0");

/** The name that is written on the part. */
export function pointName(zone, [station, position]) {
  return `${zone.code}-${two(station + 1)}-${two(position + 1)}`;
}

/** Station and position, from 0, of a name such as BM-07-05. */
export function placeOf(name) {
  const [, station, position] = name.split("-");
  return [Number(station) - 1, Number(position) - 1];
}

/** The corner-to-corner name of a block from one place to another, as the plan writes it. */
export function blockName([stationA, positionA], [stationB, positionB]) {
  const low = [Math.min(stationA, stationB), Math.min(positionA, positionB)];
  const high = [Math.max(stationA, stationB), Math.max(positionA, positionB)];
  const [first, last] = [low, high].map(([station, position]) => `${two(station + 1)}-${two(position + 1)}`);
  return first === last ? first : `${first}:${last}`;
}

export const lengthOf = (zone) => zone.stations * zone.station_pitch_mm;

/** Distance between positions at a place along the axis, in mm. */
export function stepAt(zone, x) {
  if (zone.shape !== "tube") return zone.position_pitch_mm;
  const girth = zone.girth_start_mm + ((zone.girth_end_mm - zone.girth_start_mm) * x) / lengthOf(zone);
  return girth / zone.positions;
}

/** The unrolled sheet: x to the right, s downward, cut open half a step before the datum line. */
export function flatView(zone) {
  const widest = Math.max(stepAt(zone, 0), stepAt(zone, lengthOf(zone)));
  return {
    zone,
    low: -0.5,
    high: zone.positions - 0.5,
    finest: Infinity,
    place: (x, column) => [x, column * stepAt(zone, x)],
    box: [0, -widest / 2, lengthOf(zone), zone.positions * widest],
  };
}

/** One side of a tube: the column `facing` faces the eye. What leans away from the eye is not in the view.
 *  A cone's wall leans toward its apex, so a taper shows a little more or less than half the girth. */
export function roundView(zone, facing) {
  const length = lengthOf(zone);
  const radius = (x) => (stepAt(zone, x) * zone.positions) / (2 * Math.PI);
  // A thin tube is drawn thicker than it is, or its cells could not be seen apart.
  const swell = Math.max(1, (0.16 * length) / (2 * Math.max(radius(0), radius(length))));
  const leaning = ((radius(length) - radius(0)) * swell) / length;
  const yaw = Math.abs(leaning) < 1 ? YAW : 0;
  const half = (Math.acos(-Math.tan(yaw) * leaning) * zone.positions) / (2 * Math.PI);
  const place = (x, column) => {
    const turned = (2 * Math.PI * (column - facing)) / zone.positions;
    const r = radius(x) * swell;
    return [Math.cos(yaw) * x + Math.sin(yaw) * r * Math.cos(turned), r * Math.sin(turned)];
  };
  const widest = Math.max(radius(0), radius(length)) * swell;
  const over = Math.sin(yaw) * widest;
  return {
    zone,
    facing,
    swell,
    low: facing - half,
    high: facing + half,
    finest: zone.positions / 40,
    place,
    box: [-over, -widest, Math.cos(yaw) * length + 2 * over, 2 * widest],
  };
}

/** The parts of a run of columns that a view shows, whichever turn they are on. */
export function shownParts(view, from, to) {
  const turns = view.zone.shape === "tube" ? [-1, 0, 1] : [0];
  return turns
    .map((turn) => turn * view.zone.positions)
    .map((shift) => [Math.max(from + shift, view.low), Math.min(to + shift, view.high)])
    .filter(([a, b]) => b - a > 1e-6);
}

/** The outline of a patch of the surface, as an SVG path in the units of `scale`. */
export function patchPath(view, scale, xFrom, xTo, from, to) {
  return shownParts(view, from, to)
    .map(([a, b]) => {
      const there = stepsBetween(a, b, view.finest).map((column) => scale(...view.place(xFrom, column)));
      const back = stepsBetween(b, a, view.finest).map((column) => scale(...view.place(xTo, column)));
      return `M${[...there, ...back].map(([u, v]) => `${u.toFixed(1)} ${v.toFixed(1)}`).join("L")}Z`;
    })
    .join("");
}

/** A line over the surface through corners (x, column); what the view does not show is left out. */
export function linePath(view, scale, corners) {
  const turns = view.zone.shape === "tube" ? [-1, 0, 1] : [0];
  let path = "";
  for (const turn of turns) {
    let isDown = false;
    for (const [x, column] of followed(corners)) {
      const at = column + turn * view.zone.positions;
      const isShown = at >= view.low - 1e-9 && at <= view.high + 1e-9;
      if (isShown) {
        const [u, v] = scale(...view.place(x, at));
        path += `${isDown ? "L" : "M"}${u.toFixed(1)} ${v.toFixed(1)}`;
      }
      isDown = isShown;
    }
  }
  return path;
}

function* followed(corners) {
  for (let k = 0; k + 1 < corners.length; k += 1) {
    const [[x0, c0], [x1, c1]] = [corners[k], corners[k + 1]];
    const count = Math.max(1, Math.ceil(Math.abs(c1 - c0) / 0.1));
    for (let i = 0; i < count; i += 1) yield [x0 + ((x1 - x0) * i) / count, c0 + ((c1 - c0) * i) / count];
  }
  yield corners[corners.length - 1];
}

function stepsBetween(a, b, finest) {
  const count = Math.max(1, Math.ceil(Math.abs(b - a) / finest));
  return Array.from({ length: count + 1 }, (_, i) => a + ((b - a) * i) / count);
}

/** Which point is under a place of the flat sheet, in mm; beside it the nearest one when `isClamped`, else null. */
export function pointUnder(zone, x, s, isClamped = false) {
  const inside = Math.min(Math.max(x, 0), lengthOf(zone));
  const at = [Math.floor(x / zone.station_pitch_mm), Math.round(s / stepAt(zone, inside))];
  const most = [zone.stations - 1, zone.positions - 1];
  const nearest = at.map((value, i) => Math.min(Math.max(value, 0), most[i]));
  return isClamped || at.every((value, i) => value === nearest[i]) ? nearest : null;
}
