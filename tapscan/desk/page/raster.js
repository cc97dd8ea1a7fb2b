// A zone of many points as one picture: zoom and pan by wheel, pinch, drag and keys; a depth range; a line for a
// B-scan. Every point is one dot of a picture that is made once and then only scaled, so that it moves smoothly.

import { desk, telling } from "./desk.js";
import { button, make } from "./dom.js";
import { readArrays } from "./npz.js";
import { LEFT, RasterView, TOP } from "./rasterview.js";
import { lineSection } from "./slices.js";
import { lengthOf, pointName, pointUnder, stepAt } from "./surface.js";

const MOST_HEIGHT = 0.62; // of the window
const SIGN_CELL = 9; // px; below it signs would hide the colours
const DRAG = 6; // px that a finger may slip and still touch a point
const NONE = 255;
const KEYS = { "+": 1.4, "=": 1.4, "-": 1 / 1.4 };
const PANS = { ArrowLeft: [1, 0], ArrowRight: [-1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] };

/** Whether a zone is drawn as one picture. */
export function isRaster(zone) {
  const points = zone.stations * zone.positions;
  return points > desk.plan.most_cells_drawn && points <= desk.plan.most_points_drawn;
}

export class Raster extends RasterView {
  arrays = null;
  range = null; // the depths shown, in mm; null for all
  isLine = false; // a drag draws a line instead of moving the picture
  line = null; // its ends, as places of points
  fingers = new Map();

  constructor(look) {
    super(look);
    this.canvas = make("canvas", { class: "raster" });
    this.tools = make("div", { class: "row" });
    this.section = make("div", { class: "line-section" });
    const on = (name, act) => this.canvas.addEventListener(name, act, { passive: false });
    on("wheel", (event) => this.wheel(event));
    on("pointerdown", (event) => this.press(event));
    on("pointermove", (event) => this.move(event));
    for (const name of ["pointerup", "pointercancel"]) on(name, (event) => this.lift(event));
    look.map.addEventListener("keydown", (event) => this.key(event));
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.recolour());
  }

  get isOn() {
    return this.look.zone !== null && isRaster(this.look.zone);
  }

  /** Fetch the arrays of the zone that is looked at, and show all of it. */
  async load() {
    this.arrays = this.range = this.line = this.view = null;
    this.section.replaceChildren();
    const { zone, method, document: found } = this.look;
    if (!this.isOn) return;
    if (found) {
      const answer = await telling(() => fetch(`/api/rasters/${zone.code}/${method}`));
      this.arrays = answer?.ok ? readArrays(await answer.arrayBuffer()) : null;
      found.status = this.arrays?.status ?? [];
      found.layers.forEach((layer, i) => {
        layer.steps = this.arrays?.[`layer_${i}`] ?? [];
      });
    }
    this.showTools();
  }

  showTools() {
    this.tools.replaceChildren(
      button("Zoom in", () => this.zoom(1.4), "+"),
      button("Zoom out", () => this.zoom(1 / 1.4), "−"),
      button("Whole zone", () => this.fit(), "0"),
      ...(this.look.method === "ascan" ? [this.lineButton()] : []),
      ...(this.arrays?.depth_mm ? this.depthTools() : []),
    );
  }

  lineButton() {
    const pressed = { "aria-pressed": String(this.isLine) };
    return button("B-scan line", () => this.toggleLine(), "B", pressed);
  }

  toggleLine() {
    this.isLine = !this.isLine;
    this.showTools();
  }

  depthTools() {
    const most = Math.max(this.look.zone.thickness_mm ?? 0, largest(this.arrays.depth_mm));
    const text = make("output", {});
    const inputs = ["from", "to"].map((end, i) =>
      make("input", {
        type: "range",
        min: 0,
        max: most,
        step: most / 200,
        value: this.range?.[i] ?? i * most,
        "aria-label": `Depth shown, ${end}, mm`,
        oninput: () => change(),
      }),
    );
    const change = () => {
      const [a, b] = inputs.map((input) => Number(input.value)).sort((one, other) => one - other);
      this.range = a <= 0 && b >= most ? null : [a, b];
      text.textContent = this.range ? `${a.toFixed(2)} to ${b.toFixed(2)} mm` : "all depths";
      this.recolour();
      this.look.sheet.drawTrace(this.range);
    };
    text.textContent = this.range ? `${this.range[0].toFixed(2)} to ${this.range[1].toFixed(2)} mm` : "all depths";
    return [make("label", { class: "depth" }, "Depth shown: ", ...inputs, text)];
  }

  // The picture: a dot for each point, and where hatching goes.

  /** Draw again, and make the picture anew when what it shows changed. */
  refresh() {
    const { zone, document: found, layer, slice } = this.look;
    const shown = [zone.skip, found, layer, slice];
    if (this.shown?.every((one, i) => one === shown[i])) this.redraw();
    else this.recolour();
  }

  /** Make the picture anew, after the layer, the depth range or the theme changed. */
  recolour() {
    if (!this.isOn) return;
    this.shown = [this.look.zone.skip, this.look.document, this.look.layer, this.look.slice];
    const { zone, document: found, layer: shown, slice } = this.look;
    const layer = slice ?? found?.layers[shown];
    const style = getComputedStyle(document.documentElement);
    const colour = (name) => rgb(style.getPropertyValue(`--${name}`));
    this.colours = Object.fromEntries(
      ["ink", "paper", "muted", "crayon", "tint"].map((name) => [name, style.getPropertyValue(`--${name}`).trim()]),
    );
    const ramp = layer && Array.from({ length: 24 }, (_, i) => colour(`${layer.ramp}-${i}`));
    const dots = new ImageData(zone.stations, zone.positions);
    const hatched = new ImageData(zone.stations, zone.positions);
    const pixels = new Uint32Array(dots.data.buffer);
    const marks = new Uint32Array(hatched.data.buffer);
    const [tint, paper] = [colour("tint"), colour("paper")];
    const { depth_mm: depth } = this.arrays ?? {};
    const [low, high] = this.range ?? [-Infinity, Infinity];
    for (let station = 0, i = 0; station < zone.stations; station += 1) {
      for (let position = 0; position < zone.positions; position += 1, i += 1) {
        const at = position * zone.stations + station;
        const status = found?.status[i];
        const step = layer?.steps[i];
        if (!found) pixels[at] = tint;
        else if (status === 3) pixels[at] = paper;
        else if (status === 2) {
          pixels[at] = paper;
          marks[at] = 0xff000000;
        } else if (this.range && !(depth[i] >= low && depth[i] <= high)) pixels[at] = tint;
        else pixels[at] = step >= 0 && step !== NONE ? ramp[step] : tint;
      }
    }
    for (const i of zone.skip) {
      const at = (i % zone.positions) * zone.stations + Math.floor(i / zone.positions);
      [pixels[at], marks[at]] = [paper, 0];
    }
    this.dots = pictureOf(dots);
    this.hatched = found?.status.includes(2) ? pictureOf(hatched) : null;
    this.redraw();
  }

  /** Draw at the next frame. */
  redraw() {
    this.waiting ??= requestAnimationFrame(() => {
      this.waiting = null;
      this.draw();
    });
  }

  draw() {
    const width = this.look.map.clientWidth - 4;
    if (!this.isOn || !this.dots || width < 100) return;
    this.resize(width);
    const context = this.canvas.getContext("2d");
    context.setTransform(devicePixelRatio, 0, 0, devicePixelRatio, 0, 0);
    context.fillStyle = this.colours.paper;
    context.fillRect(0, 0, this.size[0], this.size[1]);
    context.save();
    context.beginPath();
    context.rect(LEFT - 5, TOP - 5, this.size[0], this.size[1]); // a frame at the rim shows
    context.clip();
    this.spread(context, this.dots);
    if (this.hatched) this.hatch(context);
    this.outlines(context);
    this.signs(context);
    this.cursor(context);
    context.restore();
    this.edges(context);
    // What a test or a benchmark may wait for.
    this.canvas.dataset.drawn = String(Number(this.canvas.dataset.drawn ?? 0) + 1);
  }

  resize(width) {
    const { zone } = this.look;
    const girth = zone.positions * Math.max(stepAt(zone, 0), stepAt(zone, lengthOf(zone)));
    const fitting = ((width - LEFT) / lengthOf(zone)) * girth + TOP;
    const size = [width, Math.round(Math.min(Math.max(fitting, 160), innerHeight * MOST_HEIGHT))];
    if (this.size?.join() !== size.join() || this.ratio !== devicePixelRatio) {
      [this.size, this.ratio] = [size, devicePixelRatio];
      [this.canvas.width, this.canvas.height] = size.map((px) => Math.round(px * devicePixelRatio));
      this.canvas.style.width = `${size[0]}px`;
      this.canvas.style.height = `${size[1]}px`;
      this.view = null;
    }
    this.view ??= this.whole();
  }

  /** Scale the picture to the view; on a taper column by column. */
  spread(context, picture) {
    const { zone } = this.look;
    const pitch = zone.station_pitch_mm;
    const place = (from, columns) => {
      const step = stepAt(zone, (from + columns / 2) * pitch);
      const [left, top] = this.px(from * pitch, -step / 2);
      const [wide, high] = [columns * pitch * this.view.perMm, zone.positions * step * this.view.perMm];
      context.imageSmoothingEnabled = pitch * this.view.perMm * devicePixelRatio < 1;
      context.drawImage(picture, from, 0, columns, zone.positions, left, top, wide, high);
    };
    const isTaper = stepAt(zone, 0) !== stepAt(zone, lengthOf(zone));
    if (!isTaper) place(0, zone.stations);
    else for (let station = 0; station < zone.stations; station += 1) place(station, 1);
  }

  /** Hatch what is unread, at one pitch whatever the zoom. */
  hatch(context) {
    this.over ??= document.createElement("canvas");
    [this.over.width, this.over.height] = this.size;
    const over = this.over.getContext("2d");
    this.spread(over, this.hatched);
    over.globalCompositeOperation = "source-in";
    over.fillStyle = over.createPattern(hatchOf(this.colours), "repeat");
    over.fillRect(0, 0, ...this.size);
    context.drawImage(this.over, 0, 0);
  }

  outlines(context) {
    for (const one of this.look.document?.indications ?? []) {
      context.beginPath();
      for (const ring of one.outline) {
        ring.forEach(([x, s], k) => (k ? context.lineTo(...this.px(x, s)) : context.moveTo(...this.px(x, s))));
        context.closePath();
      }
      this.stroke(context, this.colours.paper, 5);
      this.stroke(context, this.colours.crayon, 2.2);
      const [x, s] = one.outline[0].reduce((far, corner) => (corner[0] > far[0] ? corner : far));
      this.tag(context, one.number, ...this.px(x, s));
    }
  }

  stroke(context, colour, width) {
    context.strokeStyle = colour;
    context.lineWidth = width;
    context.stroke();
  }

  tag(context, number, u, v) {
    context.font = "700 13px system-ui, sans-serif";
    const wide = context.measureText(number).width + 10;
    const left = Math.min(u + 4, this.size[0] - wide);
    context.fillStyle = this.colours.crayon;
    context.fillRect(left, v - 10, wide, 20);
    context.fillStyle = this.colours.paper;
    context.textBaseline = "middle";
    context.fillText(number, left + 5, v + 1);
  }

  /** A diamond on each suspect point, where points are large enough to carry one. */
  signs(context) {
    const { zone, document: found } = this.look;
    const cell = this.cell();
    if (!found || cell < SIGN_CELL) return;
    const [[x0, s0], [x1, s1]] = [this.mm(LEFT, TOP), this.mm(...this.size)];
    const pitch = zone.station_pitch_mm;
    const r = Math.min(7, 0.25 * cell);
    context.beginPath();
    for (let i = Math.max(Math.floor(x0 / pitch), 0); i < Math.min(x1 / pitch, zone.stations); i += 1) {
      const step = stepAt(zone, (i + 0.5) * pitch);
      for (let p = Math.max(Math.floor(s0 / step), 0); p < Math.min(s1 / step + 1, zone.positions); p += 1) {
        if (found.status[i * zone.positions + p] !== 1) continue;
        const [u, v] = this.px((i + 0.5) * pitch, p * step);
        context.moveTo(u, v - r);
        for (const [du, dv] of [[r, 0], [0, r], [-r, 0], [0, -r]]) context.lineTo(u + du, v + dv);
      }
    }
    context.fillStyle = this.colours.paper;
    context.fill();
    this.stroke(context, this.colours.ink, 1.2);
  }

  /** The frame round the chosen point or block, and the line of the B-scan. */
  cursor(context) {
    const { zone, at, anchor } = this.look;
    const [[i0, p0], [i1, p1]] = [anchor ?? at, at];
    const pitch = zone.station_pitch_mm;
    const step = stepAt(zone, (at[0] + 0.5) * pitch);
    const [left, top] = this.px(Math.min(i0, i1) * pitch, (Math.min(p0, p1) - 0.5) * step);
    const [right, bottom] = this.px((Math.max(i0, i1) + 1) * pitch, (Math.max(p0, p1) + 0.5) * step);
    const room = Math.max(0, 9 - (right - left)) / 2; // small points get a frame that can be seen
    context.beginPath();
    context.rect(left - room, top - room, right - left + 2 * room, bottom - top + 2 * room);
    this.stroke(context, this.colours.paper, 5);
    this.stroke(context, this.colours.ink, 2.2);
    if (!this.line) return;
    context.beginPath();
    const [a, b] = this.line.map(([i, p]) => this.px((i + 0.5) * pitch, p * stepAt(zone, (i + 0.5) * pitch)));
    context.moveTo(...a);
    context.lineTo(...b);
    this.stroke(context, this.colours.paper, 5);
    this.stroke(context, this.colours.ink, 2);
  }

  edges(context) {
    const { zone } = this.look;
    context.fillStyle = this.colours.muted;
    context.font = "13px system-ui, sans-serif";
    context.textBaseline = "middle";
    context.textAlign = "center";
    const every = (px) => [1, 2, 5, 10, 20, 50, 100, 200, 500].find((n) => n * px >= 34) ?? 1000;
    const pitch = zone.station_pitch_mm;
    const along = every(pitch * this.view.perMm);
    for (let i = 0; i < zone.stations; i += along) {
      const [u] = this.px((i + 0.5) * pitch, 0);
      if (u > LEFT + 8 && u < this.size[0] - 8) context.fillText(String(i + 1), u, TOP / 2);
    }
    context.textAlign = "right";
    const step = stepAt(zone, 0);
    const across = every(step * this.view.perMm);
    for (let p = 0; p < zone.positions; p += across) {
      const [, v] = this.px(0, p * step);
      if (v > TOP + 4 && v < this.size[1] - 4) context.fillText(String(p + 1), LEFT - 5, v);
    }
    context.textAlign = "left";
  }

  // Moving about.

  key(event) {
    if (!this.isOn || !this.view || event.altKey || event.metaKey) return;
    const pan = event.ctrlKey && PANS[event.key];
    if (pan) this.pan((pan[0] * this.size[0]) / 4, (pan[1] * this.size[1]) / 4);
    else if (event.ctrlKey) return;
    else if (KEYS[event.key]) this.zoom(KEYS[event.key], ...this.cursorPx());
    else if (event.key === "0") this.fit();
    else if (event.key.toLowerCase() === "b" && this.look.method === "ascan") this.toggleLine();
    else return;
    event.preventDefault();
  }

  cursorPx() {
    const { zone, at } = this.look;
    const x = (at[0] + 0.5) * zone.station_pitch_mm;
    return this.px(x, at[1] * stepAt(zone, x));
  }

  wheel(event) {
    if (!this.view) return;
    event.preventDefault();
    const lines = event.deltaMode === 1 ? 30 : 1;
    this.zoom(Math.exp(-event.deltaY * lines * 0.0016), ...this.spot(event));
  }

  spot(event) {
    const box = this.canvas.getBoundingClientRect();
    return [event.clientX - box.left, event.clientY - box.top];
  }

  pointAt(spot) {
    return pointUnder(this.look.zone, ...this.mm(...spot));
  }

  press(event) {
    if (!this.view) return;
    event.preventDefault();
    this.look.map.focus({ preventScroll: true });
    this.canvas.setPointerCapture(event.pointerId);
    this.fingers.set(event.pointerId, this.spot(event));
    this.slipped = this.fingers.size > 1 ? Infinity : 0;
    this.from = this.pointAt(this.spot(event));
  }

  move(event) {
    const before = this.fingers.get(event.pointerId);
    if (!before) return;
    const now = this.spot(event);
    const [du, dv] = [now[0] - before[0], now[1] - before[1]];
    this.slipped += Math.hypot(du, dv);
    const other = [...this.fingers].find(([id]) => id !== event.pointerId)?.[1];
    this.fingers.set(event.pointerId, now);
    if (other) {
      const [near, far] = [before, now].map(([u, v]) => Math.max(Math.hypot(u - other[0], v - other[1]), 1));
      this.zoom(far / near, (now[0] + other[0]) / 2, (now[1] + other[1]) / 2);
      this.pan(du / 2, dv / 2);
    } else if (this.slipped > DRAG && this.isLine) this.stretch(now);
    else if (this.slipped > DRAG) this.pan(du, dv);
  }

  /** The line from where the finger was set down to where it is. */
  stretch(now) {
    const to = this.pointAt(now);
    if (!this.from || !to) return;
    this.line = [this.from, to];
    this.redraw();
  }

  lift(event) {
    if (!this.fingers.delete(event.pointerId) || event.type === "pointercancel") return;
    const at = this.pointAt(this.spot(event));
    if (this.slipped <= DRAG && at) this.look.go(at, event.shiftKey || this.look.isBlock);
    else if (this.isLine && this.line && this.fingers.size === 0) this.cut();
  }

  /** Show the B-scan along the line. */
  async cut() {
    const [first, last] = this.line.map((at) => pointName(this.look.zone, at));
    const section = await telling(() => lineSection(first, last, this.look.zone));
    if (section) this.section.replaceChildren(...section);
  }
}

function largest(values) {
  let most = 0;
  for (const value of values) if (value > most) most = value;
  return most;
}

function pictureOf(data) {
  const picture = document.createElement("canvas");
  [picture.width, picture.height] = [data.width, data.height];
  picture.getContext("2d").putImageData(data, 0, 0);
  return picture;
}

function hatchOf({ paper, muted }) {
  const tile = document.createElement("canvas");
  tile.width = tile.height = 6;
  const context = tile.getContext("2d");
  context.fillStyle = paper;
  context.fillRect(0, 0, 6, 6);
  context.strokeStyle = muted;
  context.lineWidth = 1.1;
  context.beginPath();
  for (const shift of [-6, 0, 6]) {
    context.moveTo(shift - 1, 7);
    context.lineTo(shift + 7, -1);
  }
  context.stroke();
  return tile;
}

/** A colour of the style sheet, #rrggbb, as one number of ImageData (little-endian, opaque). */
export function rgb(text) {
  const value = Number.parseInt(text.trim().slice(1), 16);
  return (0xff000000 | ((value & 0xff) << 16) | (value & 0xff00) | (value >> 16)) >>> 0;
}
