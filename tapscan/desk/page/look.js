// The map: choose a zone and a point, by touch or by arrow keys, and see and hear what is there.

import { Controls } from "./controls.js";
import { ask, desk, telling } from "./desk.js";
import { draw, isWriting, make } from "./dom.js";
import { doubtful, indicationsOf, partsOf, unreadList, wordsOf } from "./found.js";
import { mapKey } from "./key.js";
import { blockPath, drawMap, pointAt } from "./map.js";
import { Marks } from "./marks.js";
import { layerOf, painted } from "./paint.js";
import { papersOf } from "./papers.js";
import { Raster } from "./raster.js";
import { Sheet } from "./sheet.js";
import { blockName, placeOf, pointName } from "./surface.js";

const STEPS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
const REST_MS = 90; // how long the hand rests on a point before its sheet is fetched
const HELP = "Arrow keys move from point to point, Shift + arrows select a block. Keys lists the rest.";
const BLOCK_HELP = "Drag over the block, or tap one corner and then the opposite one.";

class Look {
  zone = null;
  method = "tap";
  document = null; // the zone by this method; null before it is analysed
  layer = 0;
  slice = null; // a C-scan at a depth, when one is chosen
  isRound = false;
  isEnlarged = false; // cells as large as a gloved finger; the map scrolls
  facing = 0;
  at = [0, 0];
  isPlaced = false; // somebody chose a point; before that it is the strongest suspect
  anchor = null; // the other corner of a chosen block
  isBlock = false; // touches choose a block
  awaitsCorner = false; // the next touch sets the opposite corner
  shownIndication = -1;

  /** `actions.log` opens the form of findings at a place, `actions.tapAgain` the collecting pane. */
  constructor(place, actions) {
    this.svg = draw("svg", { "aria-hidden": "true" });
    this.here = make("div", { class: "here", role: "status" });
    this.marks = new Marks(this, actions);
    this.sheet = new Sheet();
    this.controls = new Controls(this);
    const role = { tabindex: 0, role: "application", "aria-describedby": "map-help" };
    this.map = make("div", { class: "map", ...role }, this.svg);
    this.key = make("div", {});
    this.words = make("div", { class: "words" });
    this.found = make("div", { class: "found" });
    this.help = make("p", { id: "map-help", class: "quiet" }, HELP);
    this.raster = new Raster(this);
    this.map.append(this.raster.canvas);
    const drawn = [this.raster.tools, this.map, this.raster.section];
    place.append(
      make("div", { class: "chart-of-zone" }, this.controls.place, this.help, ...drawn, this.key),
      make(
        "aside",
        { class: "sheet", "aria-label": "The chosen point" },
        this.here,
        // What arrives later is below the buttons: none of them moves under a finger.
        this.sheet.sound,
        this.marks.place,
        this.sheet.words,
        this.found,
        this.sheet.rest,
      ),
      this.words,
    );
    this.svg.addEventListener("pointerdown", (event) => this.press(event));
    place.addEventListener("keydown", (event) => this.keyDown(event));
    desk.addEventListener("state", () => this.marks.nameSteps());
    new ResizeObserver(() => this.redraw()).observe(this.map);
  }

  /** Marks, notes or readings changed: draw them, and leave alone what somebody is reading or writing. */
  planChanged() {
    if (!this.zone) return;
    if (!desk.zone(this.zone.code)) {
      this.refresh();
      return;
    }
    this.zone = desk.zone(this.zone.code);
    this.at = [
      Math.min(this.at[0], this.zone.stations - 1),
      Math.min(this.at[1], this.zone.positions - 1),
    ];
    this.redraw();
    this.marks.show({ keepsNote: this.marks.isWriting });
    this.showFound();
  }

  /** Show what the desk knows now. */
  async refresh() {
    const zones = desk.plan.zones;
    this.zone = zones.find((zone) => zone.code === this.zone?.code) ?? zones[0];
    if (!this.zone.methods.includes(this.method)) this.method = this.zone.methods[0];
    const path = `/api/zones/${this.zone.code}/${this.method}`;
    const reports = this.controls.showReports();
    this.document = desk.state.analysis > 0 ? ((await telling(() => ask(path))) ?? null) : null;
    this.slice = null;
    await this.raster.load();
    await reports; // what is above the map is there before the map is
    this.layer = Math.min(this.layer, Math.max(0, (this.document?.layers.length ?? 1) - 1));
    if (!this.isPlaced) this.at = this.strongest();
    this.controls.show();
    this.sheet.sound.hidden = this.method !== "tap" || !this.document;
    this.redraw();
    this.choose({ keepsNote: this.marks.isWriting });
    this.showFound();
    this.words.replaceChildren(...wordsOf(this.document), papersOf(this.zone), ...partsOf(this.document));
  }

  /** The list of indications, and what needs a second look, beside the map. */
  showFound() {
    const unread = this.method === "tap" ? this.allWith("unread") : [];
    this.found.replaceChildren(
      ...indicationsOf(this.document, (one) => this.go(placeOf(one.peak))),
      ...doubtful(this.document, this.zone),
      ...unreadList(unread, this.document, (points) => this.marks.tapPoints(points)),
    );
  }

  allWith(status) {
    if (!this.document) return [];
    const wanted = desk.plan.statuses.indexOf(status);
    const { positions } = this.zone;
    return this.document.status.flatMap((one, i) =>
      one === wanted ? [[Math.floor(i / positions), i % positions]] : [],
    );
  }

  /** Where to begin: the strongest point of the first indication, or a suspect point, or the first one. */
  strongest() {
    const [first] = this.document?.indications ?? [];
    if (first) return placeOf(first.peak);
    return this.allWith("suspect")[0] ?? [0, 0];
  }

  async to(code, method) {
    document.activeElement?.blur();
    [this.zone, this.method, this.at, this.anchor] = [desk.zone(code), method, [0, 0], null];
    [this.isPlaced, this.isBlock, this.shownIndication] = [false, false, -1];
    this.map.classList.remove("blocking");
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
    this.awaitsCorner = false;
    this.help.textContent = this.isBlock ? BLOCK_HELP : HELP;
    this.map.classList.toggle("blocking", this.isBlock);
    this.controls.showPressed();
    if (!this.isBlock) this.go(this.at);
  }

  enlarge() {
    this.isEnlarged = !this.isEnlarged;
    this.controls.showPressed();
    this.redraw();
    this.cursor[0].scrollIntoView({ block: "nearest", inline: "nearest" });
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
    look.isEnlarged = this.isEnlarged;
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
    this.cursor[1].classList.toggle("block", this.anchor !== null);
  }

  /** The point under a finger; one that slips over the edge stays at the zone's edge when it `isDragged`. */
  under(event, isDragged = false) {
    const box = this.svg.getBoundingClientRect();
    return pointAt(this.drawing, event.clientX - box.left, event.clientY - box.top, isDragged);
  }

  press(event) {
    const at = this.under(event);
    this.map.focus({ preventScroll: true });
    if (!at) return;
    if (this.isBlock) this.pressCorner(at);
    else this.go(at, event.shiftKey);
    if (this.isBlock || (event.pointerType !== "touch" && !this.isRound)) this.dragBlock(event);
    else if (this.isRound) this.drag(event);
  }

  /** A block starts where the finger does; a second touch sets the opposite corner. */
  pressCorner(at) {
    if (!this.awaitsCorner) this.anchor = at;
    this.go(at, true);
    this.awaitsCorner = !this.awaitsCorner;
  }

  dragBlock(event) {
    const start = this.at;
    this.follow(event, (now) => {
      const at = this.under(now, true);
      if (!at || (at[0] === this.at[0] && at[1] === this.at[1])) return;
      this.anchor ??= start;
      this.awaitsCorner = false;
      this.go(at, true);
    });
  }

  /** Turn the round part under the finger: one girth for twice its drawn height. */
  drag(event) {
    const [from, facing, positions] = [event.clientY, this.facing, this.zone.positions];
    const perColumn = (this.svg.clientHeight * 2) / positions;
    this.follow(event, (now) => {
      const columns = Math.round((from - now.clientY) / perColumn) % positions;
      const wanted = (facing + columns + positions) % positions;
      if (wanted !== this.facing) this.turn(wanted - this.facing);
    });
  }

  follow(event, move) {
    this.svg.setPointerCapture(event.pointerId);
    const stop = () => this.svg.removeEventListener("pointermove", move);
    this.svg.addEventListener("pointermove", move);
    for (const end of ["pointerup", "pointercancel"]) this.svg.addEventListener(end, stop, { once: true });
  }

  go(at, isBlock = false) {
    this.anchor = isBlock ? (this.anchor ?? this.at) : null;
    [this.at, this.isPlaced] = [at, true];
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

  /** Name the chosen point; its sheet follows when the hand rests, so that a held key stays quick. */
  choose({ keepsNote = false } = {}) {
    const name = pointName(this.zone, this.at);
    const status = this.statusAt(this.at);
    const sign = desk.plan.signs[status] ?? "";
    const block = this.anchor ? `Block ${blockName(this.anchor, this.at)}` : null;
    this.here.replaceChildren(
      make("h2", { id: "point-name" }, block ?? name),
      block ? "" : make("span", { class: `verdict ${status.replaceAll(" ", "-")}` }, `${sign} ${status}`),
    );
    this.marks.show({ keepsNote });
    clearTimeout(this.resting);
    if (this.document) {
      const show = () => this.sheet.show(name, this.method, () => this.slice?.gate_mm ?? this.raster.range);
      this.resting = setTimeout(show, REST_MS);
    } else {
      this.sheet.clear("The map shows which points have readings. Analyse to see more.");
    }
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
    if (isWriting(event) || event.altKey || !this.zone) return;
    if (event.ctrlKey || event.metaKey) {
      this.stepKey(event);
      return;
    }
    const step = STEPS[event.key];
    if (step && event.target !== this.map) return;
    const actions = {
      h: () => this.sheet.pair(null),
      n: () => this.sheet.pair("neighbour"),
      t: () => this.sheet.pair("typical"),
      i: () => this.nextIndication(),
      u: () => this.nextUnread(),
      o: () => this.zone.shape === "tube" && this.turnOver(),
      "[": () => this.turn(-1),
      "]": () => this.turn(1),
      g: () => this.marks.mark("reference"),
      s: () => this.marks.mark("skip"),
      c: () => this.marks.mark("none"),
    };
    const action = step
      ? () => this.go(this.stepped(step, event.shiftKey), event.shiftKey)
      : actions[event.key.toLowerCase()];
    if (!action) return;
    action();
    event.preventDefault();
  }

  /** Ctrl-Z and Ctrl-Y (or Ctrl-Shift-Z), as everywhere. */
  stepKey(event) {
    const key = event.key.toLowerCase();
    if (key !== "z" && key !== "y") return;
    this.marks.step(key === "z" && !event.shiftKey ? "undo" : "redo");
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

export function openLook(place, actions) {
  return new Look(place, actions);
}
