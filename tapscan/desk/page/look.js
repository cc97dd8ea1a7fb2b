// The map: choose a zone and a point, by touch or by arrow keys, and see and hear what is there.

import { Controls } from "./controls.js";
import { ask, desk, telling } from "./desk.js";
import { draw, isWriting, make } from "./dom.js";
import { partsOf, tableOf } from "./found.js";
import { mapKey } from "./key.js";
import { blockPath, drawMap, pointAt } from "./map.js";
import { marksRow } from "./marks.js";
import { layerOf, painted } from "./paint.js";
import { papersOf } from "./papers.js";
import { Raster } from "./raster.js";
import { Sheet } from "./sheet.js";
import { blockName, placeOf, pointName } from "./surface.js";

const STEPS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
const REST_MS = 90; // how long the hand rests on a point before its sheet is fetched
const HELP = "Arrow keys go from point to point, Shift chooses a block; Keys lists the rest.";

class Look {
  zone = null;
  method = "tap";
  document = null; // the zone by this method; null before it is analysed
  layer = 0;
  slice = null; // a C-scan at a depth, when one is chosen
  isRound = false;
  facing = 0;
  at = [0, 0];
  anchor = null; // the other corner of a chosen block
  isBlock = false; // touches choose a block
  shownIndication = -1;

  /** `log` opens the log of findings at a place. */
  constructor(place, log) {
    this.log = log;
    this.svg = draw("svg", { "aria-hidden": "true" });
    this.sheetPlace = make("aside", { class: "sheet", "aria-label": "The chosen point" });
    this.sheet = new Sheet(this.sheetPlace);
    this.controls = new Controls(this);
    const role = { tabindex: 0, role: "application", "aria-describedby": "map-help" };
    this.map = make("div", { class: "map", ...role }, this.svg);
    this.key = make("div", {});
    this.words = make("div", { class: "words" });
    this.here = make("p", { class: "here", role: "status" });
    this.marks = make("div", {});
    const help = make("p", { id: "map-help", class: "quiet" }, HELP);
    this.raster = new Raster(this);
    this.map.append(this.raster.canvas);
    const drawn = [this.raster.tools, this.map, this.raster.section];
    const left = [this.controls.place, help, drawn, this.key, this.here, this.marks].flat();
    place.append(make("div", { class: "chart-of-zone" }, left), this.sheetPlace, this.words);
    this.svg.addEventListener("pointerdown", (event) => this.press(event));
    place.addEventListener("keydown", (event) => this.keyDown(event));
    new ResizeObserver(() => this.redraw()).observe(this.map);
  }

  /** Marks, notes or readings changed: draw them, and leave alone what somebody is reading or writing. */
  planChanged() {
    if (!this.zone || !desk.zone(this.zone.code)) return;
    this.zone = desk.zone(this.zone.code);
    this.redraw();
    if (!this.isWriting) this.showMarks();
  }

  /** Whether somebody writes a note: it is not taken away while they do. */
  get isWriting() {
    return this.marks.contains(document.activeElement);
  }

  /** Show what the desk knows now. */
  async refresh() {
    const zones = desk.plan.zones;
    this.zone = zones.find((zone) => zone.code === this.zone?.code) ?? zones[0];
    if (!this.zone.methods.includes(this.method)) this.method = this.zone.methods[0];
    const path = `/api/zones/${this.zone.code}/${this.method}`;
    this.document = desk.state.analysis > 0 ? ((await telling(() => ask(path))) ?? null) : null;
    this.slice = null;
    await this.raster.load();
    this.layer = Math.min(this.layer, Math.max(0, (this.document?.layers.length ?? 1) - 1));
    this.controls.show();
    this.redraw();
    this.choose({ keepsMarks: this.isWriting });
    const table = tableOf(this.document, (one) => this.go(placeOf(one.peak)));
    this.words.replaceChildren(...table, papersOf(this.zone), ...partsOf(this.document));
  }

  async to(code, method) {
    document.activeElement?.blur();
    [this.zone, this.method, this.at, this.anchor] = [desk.zone(code), method, [0, 0], null];
    await this.refresh();
  }

  /** Colour by a C-scan at a depth, or by the chosen layer again when it is null. */
  showSlice(slice) {
    this.slice = slice;
    this.redraw();
    this.sheet.drawTrace(slice?.gate_mm ?? null);
  }

  turnOver() {
    this.isRound = !this.isRound;
    this.facing = this.at[1];
    this.controls.show();
    this.redraw();
    this.map.focus();
  }

  toggleBlock() {
    this.isBlock = !this.isBlock;
    this.controls.show();
    if (!this.isBlock) this.go(this.at);
  }

  turn(columns) {
    this.facing = (this.facing + columns + this.zone.positions) % this.zone.positions;
    this.redraw();
  }

  redraw() {
    if (!this.zone || this.map.clientWidth < 100) return; // hidden
    const { isOn } = this.raster;
    for (const part of ["canvas", "tools", "section"]) this.raster[part].hidden = !isOn;
    this.svg.classList.toggle("off", isOn);
    if (isOn) {
      this.map.setAttribute("aria-label", this.document?.alt ?? `Zone ${this.zone.code}, not analysed yet.`);
      this.key.replaceChildren(mapKey(layerOf(this)));
      this.raster.refresh();
      return;
    }
    const look = { ...painted(this), isRound: this.isRound, facing: this.facing };
    this.drawing = drawMap(this.svg, this.zone, look, this.map.clientWidth - 4);
    this.cursor = ["cursor halo", "cursor"].map((kind) => draw("path", { class: kind }));
    this.svg.append(...this.cursor);
    this.map.classList.toggle("turning", this.drawing.isRound);
    this.moveCursor();
    this.map.setAttribute("aria-label", this.document?.alt ?? `Zone ${this.zone.code}, not analysed yet.`);
    this.key.replaceChildren(mapKey(layerOf(this)));
  }

  /** Only the frame moves with the arrow keys, so that a held key stays quick on large zones. */
  moveCursor() {
    if (this.raster.isOn) {
      this.raster.redraw();
      return;
    }
    const d = blockPath(this.drawing, this.anchor ?? this.at, this.at);
    for (const path of this.cursor) path.setAttribute("d", d);
  }

  press(event) {
    const box = this.svg.getBoundingClientRect();
    const at = pointAt(this.drawing, event.clientX - box.left, event.clientY - box.top);
    if (at) this.go(at, event.shiftKey || this.isBlock);
    this.map.focus();
    if (this.isRound) this.drag(event);
  }

  /** Turn the round part under the finger: one girth for twice its drawn height. */
  drag(event) {
    this.svg.setPointerCapture(event.pointerId);
    const [from, facing, positions] = [event.clientY, this.facing, this.zone.positions];
    const perColumn = (this.svg.clientHeight * 2) / positions;
    const move = (later) => {
      const columns = Math.round((from - later.clientY) / perColumn) % positions;
      const wanted = (facing + columns + positions) % positions;
      if (wanted !== this.facing) this.turn(wanted - this.facing);
    };
    const stop = () => this.svg.removeEventListener("pointermove", move);
    this.svg.addEventListener("pointermove", move);
    for (const end of ["pointerup", "pointercancel"]) this.svg.addEventListener(end, stop, { once: true });
  }

  go(at, isBlock = false) {
    this.anchor = isBlock ? (this.anchor ?? this.at) : null;
    this.at = at;
    // A point on the far side of the round part is turned to the front.
    if (this.raster.isOn) {
      this.raster.follow(at);
      this.choose();
      return;
    }
    if (this.isRound && !blockPath(this.drawing, at, at)) this.turn(at[1] - this.facing);
    this.moveCursor();
    this.cursor[0].scrollIntoView({ block: "nearest", inline: "nearest" });
    this.choose();
  }

  statusAt([station, position]) {
    if (!this.document) return "not analysed yet";
    return desk.plan.statuses[this.document.status[station * this.zone.positions + position]];
  }

  /** Tell of the chosen point; the sheet follows when the hand rests, so that a held key stays quick. */
  choose({ keepsMarks = false } = {}) {
    const name = pointName(this.zone, this.at);
    const status = this.statusAt(this.at);
    const one = `${desk.plan.signs[status] ?? ""} ${name}, ${status}`;
    this.here.textContent = this.anchor ? `Block ${blockName(this.anchor, this.at)}` : one;
    if (!keepsMarks) this.showMarks();
    clearTimeout(this.resting);
    if (this.document) {
      const show = () => this.sheet.show(name, this.method, this.slice?.gate_mm ?? this.raster.range);
      this.resting = setTimeout(show, REST_MS);
    } else {
      const words = "The map shows which points have readings. Analyse to see more.";
      this.sheetPlace.replaceChildren(make("p", {}, words));
    }
  }

  showMarks() {
    this.marks.replaceChildren(...marksRow(this.zone, this.anchor ?? this.at, this.at, this.log));
  }

  nextUnread() {
    const { stations, positions } = this.zone;
    const from = this.at[0] * positions + this.at[1];
    for (let step = 1; step <= stations * positions; step += 1) {
      const i = (from + step) % (stations * positions);
      const at = [Math.floor(i / positions), i % positions];
      if (this.statusAt(at) === "unread") {
        this.go(at);
        return;
      }
    }
  }

  nextIndication() {
    const all = this.document?.indications ?? [];
    if (all.length === 0) return;
    this.shownIndication = (this.shownIndication + 1) % all.length;
    this.go(placeOf(all[this.shownIndication].peak));
  }

  keyDown(event) {
    if (isWriting(event) || event.ctrlKey || event.metaKey || event.altKey || !this.zone) return;
    const step = STEPS[event.key];
    if (step && event.target !== this.map) return;
    const press = (mark) => this.marks.querySelector(`[data-mark=${mark}]`).click();
    const actions = {
      h: () => this.sheet.pair(null),
      n: () => this.sheet.pair("neighbour"),
      t: () => this.sheet.pair("typical"),
      i: () => this.nextIndication(),
      u: () => this.nextUnread(),
      o: () => this.zone.shape === "tube" && this.turnOver(),
      "[": () => this.turn(-1),
      "]": () => this.turn(1),
      g: () => press("reference"),
      x: () => press("skip"),
      c: () => press("none"),
    };
    const action = step
      ? () => this.go(this.stepped(step, event.shiftKey), event.shiftKey)
      : actions[event.key.toLowerCase()];
    if (!action) return;
    action();
    event.preventDefault();
  }

  /** One step on; round a tube the last position neighbours the first, but a block ends where the sheet does. */
  stepped([along, round], isBlock) {
    const { stations, positions, shape } = this.zone;
    const [station, position] = [this.at[0] + along, this.at[1] + round];
    const within = (value, count) => Math.min(Math.max(value, 0), count - 1);
    const goesRound = shape === "tube" && !isBlock;
    return [
      within(station, stations),
      goesRound ? (position + positions) % positions : within(position, positions),
    ];
  }
}

export function openLook(place, log) {
  return new Look(place, log);
}
