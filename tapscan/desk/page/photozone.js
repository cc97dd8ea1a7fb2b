// A zone on a photo: where its points and cells are on the picture, in the photo's own pixels.

import { draw } from "./dom.js";

const number = (zone, [station, position]) => station * zone.positions + position;

/** The view of a photo: millimetres on the face to pixels, between the corners of a net that the desk sends. */
export function photoView(zone) {
  const { window, net } = zone.photo;
  const step = zone.position_pitch_mm;
  return {
    zone,
    low: -Infinity,
    high: Infinity,
    finest: Infinity,
    place: (x, column) => netted(net, x, column * step),
    box: [window[0], window[2], window[1] - window[0], window[3] - window[2]],
  };
}

function netted({ from_mm, step_mm, px }, x, s) {
  const most = px.length - 1;
  const [u, v] = [(x - from_mm[0]) / step_mm[0], (s - from_mm[1]) / step_mm[1]];
  const [i, j] = [u, v].map((value) => Math.min(Math.max(Math.floor(value), 0), most - 1));
  const [a, b] = [u - i, v - j];
  return [0, 1].map(
    (k) =>
      (1 - a) * ((1 - b) * px[i][j][k] + b * px[i][j + 1][k]) +
      a * ((1 - b) * px[i + 1][j][k] + b * px[i + 1][j + 1][k]),
  );
}

/** The path round the cells of all points of a block. */
export function photoBlock({ scale, zone }, [stationA, positionA], [stationB, positionB]) {
  let path = "";
  for (let i = Math.min(stationA, stationB); i <= Math.max(stationA, stationB); i += 1) {
    for (let p = Math.min(positionA, positionB); p <= Math.max(positionA, positionB); p += 1) {
      const ring = zone.photo.cells[number(zone, [i, p])];
      if (!ring) continue;
      const corners = ring.map((at) => scale(...at).map((value) => value.toFixed(1)).join(" "));
      path += `M${corners.join("L")}Z`;
    }
  }
  return path;
}

/** Where a point is on the drawing; null where no point has this name. */
export function photoMiddle({ scale, zone }, station, position) {
  const at = zone.photo.points[number(zone, [station, position])];
  return at ? scale(...at) : null;
}

/** Holes of the face, above the cells round them: nothing was inspected there. */
export function photoHoles({ scale, zone }) {
  const rings = zone.photo.holes.map((hole) => `M${hole.map((at) => scale(...at).join(" ")).join("L")}Z`);
  return draw("path", { class: "hole", d: rings.join("") });
}

/** The photo itself, below everything. */
export function photoImage({ scale, zone }) {
  const [width, height] = zone.photo.size;
  const [x, y] = scale(0, 0);
  const [right, low] = scale(width, height);
  const look = { x, y, width: right - x, height: low - y, preserveAspectRatio: "none" };
  return draw("image", { class: "photo", href: zone.photo.address, ...look });
}
