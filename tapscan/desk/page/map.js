// Draws a zone, flat or round, from the desk's numbers. The colours of a ramp are classes of the style sheet, so
// that light and dark need no drawing anew; all cells of one colour are one path, so that large zones stay quick.

import { desk } from "./desk.js";
import { draw } from "./dom.js";
import { photoBlock, photoHoles, photoImage, photoMiddle, photoView } from "./photozone.js";
import {
  flatView,
  lengthOf,
  linePath,
  patchPath,
  pointUnder,
  roundView,
  shownParts,
  stepAt,
} from "./surface.js";

const LEFT = 46,
  TOP = 40,
  RIGHT = 10,
  BOTTOM = 8;
const LEAST_CELL = 4; // px; below it the map scrolls
const TOUCH_CELL = 44; // px; what a gloved finger hits
const TALLEST = 540; // px; a taller map would push its key out of view
const SIGN_CELL = 7; // px; below it signs would hide the colours

/** Draw into `svg`; returns the drawing's view and scale, for placing the cursor and finding points. */
export function drawMap(svg, zone, look, width) {
  const isRound = look.isRound && zone.shape === "tube";
  const view = zone.photo ? photoView(zone) : isRound ? roundView(zone, look.facing) : flatView(zone);
  const [left, top, wide, high] = view.box;
  const cell = zone.photo?.spacing_px ?? Math.min(zone.station_pitch_mm, stepAt(zone, 0));
  // Cells have room for a finger and no more; a photo is to be seen.
  const fitting = Math.min((width - LEFT - RIGHT) / wide, TALLEST / high, zone.photo ? Infinity : 46 / cell);
  const perMm = isRound
    ? Math.min((width - LEFT - RIGHT) / wide, 420 / high)
    : Math.max(fitting, (look.isEnlarged ? TOUCH_CELL : LEAST_CELL) / cell);
  const scale = (u, v) => [LEFT + (u - left) * perMm, TOP + (v - top) * perMm];
  const size = [LEFT + wide * perMm + RIGHT, TOP + high * perMm + BOTTOM];
  svg.setAttribute("viewBox", `0 0 ${size[0].toFixed(0)} ${size[1].toFixed(0)}`);
  svg.setAttribute("width", size[0].toFixed(0));
  svg.setAttribute("height", size[1].toFixed(0));
  if (zone.stations * zone.positions > (desk.plan?.most_points_drawn ?? Infinity)) {
    const words = "This zone has more points than a page can draw: its map is in the report.";
    svg.replaceChildren(draw("text", { class: "edge", x: LEFT, y: 14 }, words));
    return { view, scale, zone, isRound, perMm, cellPx: 0, corner: [left, top] };
  }
  const drawing = { view, scale, zone, isRound, perMm, cellPx: cell * perMm, corner: [left, top] };
  svg.replaceChildren(
    ...(zone.photo ? [photoImage(drawing)] : []),
    ...(isRound ? openEnd(drawing) : []),
    ...cells(drawing, look),
    ...(zone.photo ? [photoHoles(drawing)] : []),
    datum(drawing),
    ...outlines(drawing, look),
    // Above all lines: a suspect point is never covered by one.
    ...signs(drawing, look),
    ...tags(drawing, look),
    ...(isRound || zone.photo ? [] : edges(drawing)),
  );
  return drawing;
}

/** The path round one point's cell, or round a block of them. */
export function blockPath(drawing, [stationA, positionA], [stationB, positionB]) {
  const { view, scale, zone } = drawing;
  if (zone.photo) return photoBlock(drawing, [stationA, positionA], [stationB, positionB]);
  const pitch = zone.station_pitch_mm;
  const [from, to] = [Math.min(stationA, stationB) * pitch, (Math.max(stationA, stationB) + 1) * pitch];
  const [low, high] = [Math.min(positionA, positionB) - 0.5, Math.max(positionA, positionB) + 0.5];
  return patchPath(view, scale, from, to, low, high);
}

/** Which point is under a place of the drawing, in its own px; beside it the nearest when `isClamped`, else null. */
export function pointAt({ view, scale, zone, isRound, perMm, corner }, px, py, isClamped = false) {
  if (!isRound && !zone.photo) {
    return pointUnder(zone, (px - LEFT) / perMm + corner[0], (py - TOP) / perMm + corner[1], isClamped);
  }
  // On a photo the nearest point, on the round part the nearest middle of a cell that faces the eye.
  const reach = zone.photo?.spacing_px ?? 3 * zone.station_pitch_mm;
  let [best, away] = [null, isClamped ? Infinity : perMm * reach];
  for (let station = 0; station < zone.stations; station += 1) {
    for (let position = 0; position < zone.positions; position += 1) {
      const at = middle({ view, scale, zone }, station, position);
      const distance = at ? Math.hypot(at[0] - px, at[1] - py) : Infinity;
      if (distance < away) [best, away] = [[station, position], distance];
    }
  }
  return best;
}

function middle({ view, scale, zone }, station, position) {
  if (zone.photo) return photoMiddle({ scale, zone }, station, position);
  const shown = shownParts(view, position - 0.5, position + 0.5).find(([a, b]) => b - a > 0.5);
  if (!shown) return null;
  const turn = Math.round(((shown[0] + shown[1]) / 2 - position) / zone.positions) * zone.positions;
  return scale(...view.place((station + 0.5) * zone.station_pitch_mm, position + turn));
}

function cells(drawing, look) {
  const { zone } = drawing;
  const paths = new Map();
  for (let station = 0; station < zone.stations; station += 1) {
    for (let position = 0; position < zone.positions; position += 1) {
      const kind = look.kindOf(station * zone.positions + position);
      const path = blockPath(drawing, [station, position], [station, position]);
      paths.set(kind, (paths.get(kind) ?? "") + path);
    }
  }
  const ruled = (drawing.cellPx > 5 ? "ruled" : "") + (zone.photo ? " on-photo" : "");
  return [...paths].map(([kind, d]) => draw("path", { class: `cell ${ruled} ${kind}`, d }));
}

const signRadius = (cellPx) => Math.min(7, Math.max(2, 0.2 * cellPx));

function signs(drawing, look) {
  if (drawing.cellPx < SIGN_CELL) return [];
  const { zone } = drawing;
  const r = signRadius(drawing.cellPx);
  const paths = Object.fromEntries(Object.keys(SHAPES).map((sign) => [sign, ""]));
  for (let station = 0; station < zone.stations; station += 1) {
    for (let position = 0; position < zone.positions; position += 1) {
      const at = middle(drawing, station, position);
      if (!at) continue;
      const [u, v] = at;
      for (const sign of look.signsOf(station * zone.positions + position))
        paths[sign] += SHAPES[sign](u, v, r);
    }
  }
  return Object.entries(paths)
    .filter(([, d]) => d)
    .map(([sign, d]) => draw("path", { class: `sign ${sign}`, d }));
}

const SHAPES = {
  suspect: (u, v, r) => `M${u} ${v - r}L${u + r} ${v}L${u} ${v + r}L${u - r} ${v}Z`,
  reference: (u, v, r) =>
    `M${u - 0.7 * r} ${v}a${0.7 * r} ${0.7 * r} 0 1 0 ${1.4 * r} 0a${0.7 * r} ${0.7 * r} 0 1 0 ${-1.4 * r} 0Z`,
  passed: (u, v, r) => `M${u - r} ${v}h${2 * r}`,
  flawed: (u, v, r) => `M${u - r} ${v - r}l${2 * r} ${2 * r}M${u + r} ${v - r}l${-2 * r} ${2 * r}`,
  note: (u, v, r) => `M${u + 0.9 * r} ${v - 1.9 * r}h${r}v${r}Z`,
};

/** The rings of an indication's outline, as corners (x, column). */
function ringsOf(zone, one) {
  return one.outline.map((ring) => ring.map(([x, s]) => [x, s / stepAt(zone, x)]));
}

function outlines({ zone, view, scale }, look) {
  return look.indications.flatMap((one) => {
    const d = ringsOf(zone, one)
      .map((ring) => linePath(view, scale, ring))
      .join("");
    return [draw("path", { class: "outline halo", d }), draw("path", { class: "outline", d })];
  });
}

/** The indications' numbers, each beside its outline where it hides the least. */
function tags(drawing, look) {
  const placed = [];
  return look.indications.flatMap((one) => {
    const place = tagPlace(drawing, look, ringsOf(drawing.zone, one)[0], one.number, placed);
    if (!place) return [];
    placed.push(place);
    const [x, y, wide, high] = place;
    return [
      draw("rect", { class: "tag", x, y, width: wide, height: high, rx: 3 }),
      draw("text", { class: "tag-text", x: x + wide / 2, y: y + high - 4.5 }, one.number),
    ];
  });
}

const TAG_HIGH = 18;

/** Of places all round an outline, the one whose rectangle covers the fewest signs, other tags and edges. */
function tagPlace(drawing, look, ring, number, placed) {
  const wide = 9 * number.length + 8;
  const places = seenCorners(drawing, ring).flatMap(([u, v]) => [
    [u + 3, v - TAG_HIGH / 2, wide, TAG_HIGH],
    [u - wide - 3, v - TAG_HIGH / 2, wide, TAG_HIGH],
    [u - wide / 2, v - TAG_HIGH - 3, wide, TAG_HIGH],
    [u - wide / 2, v + 3, wide, TAG_HIGH],
  ]);
  const costs = places.map((place) => tagCost(drawing, look, place, placed));
  return places[costs.indexOf(Math.min(...costs))] ?? null;
}

function seenCorners({ view, scale, zone }, ring) {
  const turns = zone.shape === "tube" ? [0, -1, 1] : [0];
  return turns.flatMap((turn) =>
    ring
      .map(([x, column]) => [x, column + turn * zone.positions])
      .filter(([, column]) => column >= view.low && column <= view.high)
      .map(([x, column]) => scale(...view.place(x, column))),
  );
}

function tagCost(drawing, look, [x, y, wide, high], placed) {
  const meets = ([a, b, w, h]) => x < a + w && a < x + wide && y < b + h && b < y + high;
  let cost = 100 * placed.filter(meets).length;
  const { zone, cellPx } = drawing;
  const r = signRadius(cellPx);
  for (const i of [0, 0.5, 1]) {
    for (const j of [0, 0.5, 1]) {
      const at = pointAt(drawing, x + i * wide, y + j * high);
      if (!at) {
        cost += 50;
        continue;
      }
      const [u, v] = middle(drawing, ...at) ?? [Infinity, Infinity];
      const covers = meets([u - r, v - r, 2 * r, 2 * r]);
      const number = at[0] * zone.positions + at[1];
      if (covers && look.signsOf(number).length > 0) cost += 10;
      if (look.kindOf(number) === "unread") cost += 1;
    }
  }
  return cost;
}

/** The open end, quiet, since nothing was inspected inside; and how the part is turned. */
function openEnd({ view, scale, zone }) {
  const around = Array.from({ length: 61 }, (_, i) => scale(...view.place(0, (zone.positions * i) / 60)));
  const d = `M${around.map(([u, v]) => `${u.toFixed(1)} ${v.toFixed(1)}`).join("L")}Z`;
  const facing = String((Math.round(view.facing) % zone.positions) + 1).padStart(2, "0");
  const swollen = view.swell > 1 ? `; drawn ${view.swell.toFixed(1)} times too thick for its length` : "";
  return [
    draw("path", { class: "open-end", d }),
    draw(
      "text",
      { class: "edge", x: LEFT, y: 14 },
      `station 1 at the left, position ${facing} in front${swollen}`,
    ),
  ];
}

function datum({ view, scale, zone }) {
  if (zone.shape !== "tube") return draw("g");
  return draw("path", {
    class: "datum",
    d: linePath(view, scale, [
      [0, 0],
      [lengthOf(zone), 0],
    ]),
  });
}

/** Stations along the top, positions down the side, both named. */
function edges({ scale, zone, cellPx }) {
  const every = [1, 2, 5, 10, 20, 50, 100].find((n) => n * cellPx >= 26) ?? 100;
  const [, half] = scale(0, (zone.positions / 2) * stepAt(zone, 0));
  const texts = [
    draw("text", { class: "edge-name", x: LEFT, y: 14 }, "station"),
    draw(
      "text",
      { class: "edge-name middle", transform: `translate(14 ${half.toFixed(0)}) rotate(-90)` },
      "position",
    ),
  ];
  for (let i = 0; i < zone.stations; i += every) {
    const [u] = scale((i + 0.5) * zone.station_pitch_mm, 0);
    texts.push(draw("text", { class: "edge middle", x: u, y: TOP - 8 }, String(i + 1).padStart(2, "0")));
  }
  for (let p = 0; p < zone.positions; p += every) {
    const [, v] = scale(0, p * stepAt(zone, 0));
    texts.push(draw("text", { class: "edge end", x: LEFT - 6, y: v + 5 }, String(p + 1).padStart(2, "0")));
  }
  return texts;
}
