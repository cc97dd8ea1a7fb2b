// The grid beside the capture: it fills as one works, and a point on it can be chosen to go to.

import { draw, make } from "./dom.js";
import { blockPath, drawMap, pointAt } from "./map.js";
import { placeOf, pointName } from "./surface.js";

const STEPS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
// As on the map: hatched is without a reading, empty is skipped in the plan.
const CLASSES = { todo: "unread" };

export class WalkGrid {
  zone = null;
  chosen = null; // the name of a point to go to
  tally = new Map(); // name -> { taken, fault }, as the recordings on disk have it

  constructor(walk, onchoice) {
    [this.walk, this.onchoice] = [walk, onchoice];
    this.svg = draw("svg", { "aria-hidden": "true" });
    const label = "Grid. Arrow keys choose a point to go to";
    this.place = make(
      "div",
      { class: "map", tabindex: 0, role: "application", "aria-label": label },
      this.svg,
    );
    this.svg.addEventListener("pointerdown", (event) => {
      const box = this.svg.getBoundingClientRect();
      const at = pointAt(this.drawing, event.clientX - box.left, event.clientY - box.top);
      if (at) this.choose(pointName(this.zone, at));
    });
    new ResizeObserver(() => this.redraw()).observe(this.place);
  }

  choose(name) {
    this.chosen = name;
    this.redraw();
    this.onchoice(name);
  }

  redraw() {
    if (!this.zone || this.place.clientWidth < 100) return; // hidden
    const { zone, walk } = this;
    const skip = new Set(zone.skip);
    const kindOf = (i) => {
      if (skip.has(i)) return "skipped";
      const name = pointName(zone, [Math.floor(i / zone.positions), i % zone.positions]);
      return walk.kindOf(name) ?? this.onDisk(name);
    };
    // Signs as well as colours: a bar for a skipped point, a cross for one whose taps are no use.
    const signsOf = (i) => ["passed", "flawed"].filter((kind) => kind === kindOf(i));
    const classOf = (i) => CLASSES[kindOf(i)] ?? kindOf(i);
    const look = { kindOf: classOf, signsOf, indications: [] };
    this.drawing = drawMap(this.svg, zone, look, this.place.clientWidth - 4);
    this.frame(this.chosen, "cursor");
    this.frame(walk.now, "next");
  }

  /** How far a point is by its recordings alone. */
  onDisk(name) {
    const one = this.tally.get(name);
    if (!one) return "todo";
    if (one.fault === "") return "done";
    return one.taken > 0 ? "part" : "flawed";
  }

  frame(name, kind) {
    if (!name?.startsWith(`${this.zone.code}-`)) return;
    const d = blockPath(this.drawing, placeOf(name), placeOf(name));
    this.svg.append(draw("path", { class: "cursor halo", d }), draw("path", { class: kind, d }));
  }

  /** Take an arrow key; false when the press is none of the grid's. */
  key(event) {
    const step = STEPS[event.key];
    if (!step || event.target !== this.place) return false;
    const from = placeOf(this.chosen ?? this.walk.now ?? `${this.zone.code}-1-1`);
    const counts = [this.zone.stations, this.zone.positions];
    const at = from.map((value, i) => Math.min(Math.max(value + step[i], 0), counts[i] - 1));
    this.choose(pointName(this.zone, at));
    return true;
  }
}
