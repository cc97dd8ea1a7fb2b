// What is drawn of a zone on a photo, as lines over the picture, in its own pixels.

import { draw } from "./dom.js";

/**
 * Scale, outline, holes, neighbours, points and their names; `u` is one pixel of the screen. `open` is a line that
 * is being set, `pairs` are lines between neighbours, `chosen` is the name of a point.
 */
export function zoneLines({ scale, square, outline, holes }, { points, pairs, open, chosen }, u) {
  const tag = ([x, y], words) =>
    draw("text", { class: "face-tag", x: x + 7 * u, y: y - 7 * u, "font-size": 14 * u, "stroke-width": 4 * u }, words);
  const dots = points.map(([, x, y]) => `M${x} ${y}h0`).join("");
  const at = points.find(([name]) => name === chosen);
  return [
    (scale ?? []).map((one) => [line([one.from, one.to], "base"), tag(one.from, `${one.length_mm} mm`)]),
    square && [line(square.corners, "base", true), tag(square.corners[0], `${square.side_mm} mm`)],
    outline.length > 2 && line(outline, "accepted", true),
    holes.map((hole) => line(hole, "accepted", true)),
    open.length > 1 && line(open, "accepted", true),
    pairs.length > 0 && draw("path", { class: "face-pairs", d: pairs.map(([a, b, c, d]) => `M${a} ${b}L${c} ${d}`).join("") }),
    dots && twice("face-dots", dots),
    named(points, u).map(([name, ...place]) => tag(place, name)),
    at && draw("circle", { class: "face-chosen", cx: at[1], cy: at[2], r: 15 * u }),
  ]
    .flat(Infinity)
    .filter(Boolean);
}

function line(places, name, isClosed) {
  return twice(`face-line ${name}`, `M${places.map((place) => place.join(" ")).join("L")}${isClosed ? "Z" : ""}`);
}

/** On a light edge, so that it shows on any photo. */
function twice(name, d) {
  return [draw("path", { class: `${name} halo`, d }), draw("path", { class: name, d })];
}

/** The points that have room for their names, as they come. */
function named(points, u) {
  const [wide, high] = [58 * u, 20 * u];
  const rooms = new Set();
  return points.filter(([, x, y]) => {
    const [column, row] = [Math.floor(x / wide), Math.floor(y / high)];
    const isTaken = [-1, 0, 1].some((i) => [-1, 0, 1].some((j) => rooms.has(`${column + i} ${row + j}`)));
    if (!isTaken) rooms.add(`${column} ${row}`);
    return !isTaken;
  });
}
