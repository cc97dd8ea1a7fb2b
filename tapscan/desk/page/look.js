// The map: choose a zone and a point, by touch or by arrow keys, and see and hear what is there.

import { ask, desk, telling } from "./desk.js";
import { button, draw, isWriting, make } from "./dom.js";
import { blockPath, drawMap, pointAt } from "./map.js";
import { marksRow, tableOf } from "./marks.js";
import { Sheet } from "./sheet.js";
import { mapKey } from "./key.js";
import { blockName, placeOf, pointName } from "./surface.js";

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

  constructor(place) {
    this.place = place;
    this.svg = draw("svg", { "aria-hidden": "true" });
    this.sheetPlace = make("aside", { class: "sheet", "aria-label": "The chosen point" });
    this.sheet = new Sheet(this.sheetPlace);
    this.map = make("div", { class: "map", tabindex: 0, role: "application", "aria-describedby": "map-help" }, this.svg);
    this.controls = make("div", { class: "row" });
    this.words = make("div", { class: "words" });
    this.here = make("p", { class: "here", role: "status" });
    this.marks = make("div", {});
    const help = "Arrow keys go from point to point, Shift chooses a block; Keys lists the rest.";
    place.append(
      make("div", { class: "chart-of-zone" }, this.controls, make("p", { id: "map-help", class: "quiet" }, help), this.map, this.here, this.marks),
      this.sheetPlace, this.words);
    this.svg.addEventListener("pointerdown", (event) => this.press(event));
    place.addEventListener("keydown", (event) => this.key(event));
    new ResizeObserver(() => this.redraw()).observe(this.map);
  }

  /** Marks, notes or readings changed: draw them, and leave alone what somebody is reading or writing. */
  planChanged() {
    if (!this.zone || !desk.zone(this.zone.code)) return;
    this.zone = desk.zone(this.zone.code);
    this.redraw();
    if (!this.marks.contains(document.activeElement)) this.showMarks();
  }

  showMarks() {
    this.marks.replaceChildren(...marksRow(this.zone, this.anchor ?? this.at, this.at));
  }

  /** Show what the desk knows now. */
  async refresh() {
    const zones = desk.plan.zones;
    this.zone = zones.find((zone) => zone.code === this.zone?.code) ?? zones[0];
    if (!this.zone.methods.includes(this.method)) this.method = this.zone.methods[0];
    const isAnalysed = desk.state.analysis > 0;
    this.document = isAnalysed ? (await telling(() => ask(`/api/zones/${this.zone.code}/${this.method}`))) ?? null : null;
    this.slice = null;
    this.layer = Math.min(this.layer, Math.max(0, (this.document?.layers.length ?? 1) - 1));
    this.showControls();
    this.redraw();
    this.words.replaceChildren(...tableOf(this.document, (one) => this.go(placeOf(one.peak))));
    this.choose();
  }

  async to(code, method) {
    [this.zone, this.method, this.at, this.anchor] = [desk.zone(code), method, [0, 0], null];
    await this.refresh();
  }

  showControls() {
    const pairs = desk.plan.zones.flatMap((zone) => zone.methods.map((method) => [zone, method]));
    const select = make("select", { onchange: (event) => this.to(...event.target.value.split(" ")) },
      pairs.map(([zone, method]) => make("option", {
        value: `${zone.code} ${method}`, selected: zone.code === this.zone.code && method === this.method,
      }, `${zone.title}, ${desk.plan.method_names[method]}`)));
    const layers = this.document?.layers ?? [];
    const canSlice = this.method === "ascan" && this.document && this.zone.thickness_mm && this.zone.velocity_m_s;
    const colour = layers.length > 1 && make("label", {}, "Colours: ", this.colours = make("select", {
      onchange: (event) => this.colourBy(event.target.value),
    }, layers.map((layer, i) => make("option", { value: i, selected: i === this.layer }, i === 0 ? "Score" : layer.title)),
    canSlice && make("option", { value: "slice" }, "C-scan at a depth")));
    const depth = canSlice && make("label", { class: "depth" }, "Depth: ", this.depth = make("input", {
      type: "range", min: 0, max: this.zone.thickness_mm, step: 0.02, value: this.zone.thickness_mm / 2,
      oninput: () => this.cut(),
    }), this.depthText = make("output", {}, ""));
    const isTube = this.zone.shape === "tube";
    this.controls.replaceChildren(...[
      make("label", {}, "Zone: ", select), colour, depth,
      isTube && button(this.isRound ? "Unrolled" : "Round", () => this.turnOver(), "O"),
      isTube && this.isRound && button("Turn", () => this.turn(1), "]"),
    ].filter(Boolean));
  }

  async colourBy(choice) {
    if (choice === "slice") return this.cut();
    [this.layer, this.slice] = [Number(choice), null];
    this.depthText.textContent = "";
    this.redraw();
    return this.sheet.drawTrace(null);
  }

  /** Colour by a C-scan at the slider's depth. */
  async cut() {
    const depth_mm = Number(this.depth.value);
    this.colours.value = "slice";
    this.depthText.textContent = `${depth_mm.toFixed(2)} mm`;
    const slice = await telling(() => ask(`/api/slices/${this.zone.code}?depth_mm=${depth_mm.toFixed(3)}`));
    // While the slider moves, only the answer for where it is now counts.
    if (!slice || depth_mm !== Number(this.depth.value) || this.colours.value !== "slice") return;
    this.slice = slice;
    this.redraw();
    this.sheet.drawTrace(slice.gate_mm);
  }

  turnOver() {
    this.isRound = !this.isRound;
    this.facing = this.at[1];
    this.showControls();
    this.redraw();
    this.map.focus();
  }

  turn(columns) {
    this.facing = (this.facing + columns + this.zone.positions) % this.zone.positions;
    this.redraw();
  }

  /** What is drawn at each point: the class of its cell, and its signs. */
  painted() {
    const { zone, document: found } = this;
    const names = desk.plan.statuses;
    const skip = new Set(zone.skip), reference = new Set(zone.reference), read = new Set(zone.read[this.method]);
    const notes = new Set(Object.keys(desk.plan.notes).filter((name) => name.startsWith(`${zone.code}-`))
      .map((name) => placeOf(name)).map(([station, position]) => station * zone.positions + position));
    const layer = this.slice ?? found?.layers[this.layer];
    const kindOf = (i) => {
      // A mark that was set just now shows before the next analysis.
      if (skip.has(i)) return "skipped";
      if (!found) return read.has(i) ? "waiting" : "unread";
      const status = names[found.status[i]];
      if (status === "unread" || status === "skipped") return "unread";
      return layer.steps[i] < 0 ? "none" : `${layer.ramp}-${layer.steps[i]}`;
    };
    const signsOf = (i) => [
      ...(found && names[found.status[i]] === "suspect" && !skip.has(i) ? ["suspect"] : []),
      ...(reference.has(i) ? ["reference"] : []), ...(notes.has(i) ? ["note"] : []),
    ];
    return { kindOf, signsOf, indications: found?.indications ?? [], isRound: this.isRound, facing: this.facing };
  }

  redraw() {
    if (!this.zone || this.map.clientWidth < 100) return; // hidden
    this.drawing = drawMap(this.svg, this.zone, this.painted(), this.map.clientWidth - 4);
    this.cursor = ["cursor halo", "cursor"].map((kind) => draw("path", { class: kind }));
    this.svg.append(...this.cursor);
    this.moveCursor();
    this.map.setAttribute("aria-label", this.document?.alt ?? `Zone ${this.zone.code}, not analysed yet.`);
    this.keyPlace?.remove();
    this.keyPlace = mapKey(this.slice ?? this.document?.layers[this.layer]);
    this.map.after(this.keyPlace);
  }

  /** Only the frame moves with the arrow keys, so that a held key stays quick on large zones. */
  moveCursor() {
    const d = blockPath(this.drawing, this.anchor ?? this.at, this.at);
    for (const path of this.cursor) path.setAttribute("d", d);
  }

  press(event) {
    const box = this.svg.getBoundingClientRect();
    const at = pointAt(this.drawing, event.clientX - box.left, event.clientY - box.top);
    if (at) this.go(at, event.shiftKey);
    this.map.focus();
    if (this.isRound) this.drag(event);
  }

  /** Turn the round part under the finger: one girth for twice its drawn height. */
  drag(event) {
    this.svg.setPointerCapture(event.pointerId);
    const [from, facing] = [event.clientY, this.facing];
    const perColumn = this.svg.clientHeight * 2 / this.zone.positions;
    const move = (later) => {
      const columns = Math.round((from - later.clientY) / perColumn);
      if (facing + columns !== this.facing) { this.facing = facing; this.turn(columns); }
    };
    this.svg.addEventListener("pointermove", move);
    this.svg.addEventListener("pointerup", () => this.svg.removeEventListener("pointermove", move), { once: true });
  }

  go(at, isBlock = false) {
    this.anchor = isBlock ? this.anchor ?? this.at : null;
    this.at = at;
    // A point on the far side of the round part is turned to the front.
    if (this.isRound && !blockPath(this.drawing, at, at)) this.turn(at[1] - this.facing);
    this.moveCursor();
    this.choose();
  }

  /** Tell of the chosen point; the sheet follows when the hand rests, so that a held key stays quick. */
  choose() {
    const name = pointName(this.zone, this.at);
    const status = this.document ? desk.plan.statuses[this.document.status[this.at[0] * this.zone.positions + this.at[1]]] : "not analysed yet";
    this.here.textContent = this.anchor ? `Block ${blockName(this.anchor, this.at)}` : `${desk.plan.signs[status] ?? ""} ${name}, ${status}`;
    this.showMarks();
    clearTimeout(this.resting);
    if (this.document) this.resting = setTimeout(() => this.sheet.show(name, this.method, this.slice?.gate_mm ?? null), 90);
    else this.sheetPlace.replaceChildren(make("p", {}, "The map shows which points have readings. Analyse to see more."));
  }

  next(isIt) {
    const { zone } = this, count = zone.stations * zone.positions, from = this.at[0] * zone.positions + this.at[1];
    for (let step = 1; step <= count; step += 1) {
      const i = (from + step) % count;
      if (isIt(i)) return this.go([Math.floor(i / zone.positions), i % zone.positions]);
    }
  }

  nextIndication() {
    const all = this.document?.indications ?? [];
    this.shown = ((this.shown ?? -1) + 1) % Math.max(1, all.length);
    if (all.length > 0) this.go(placeOf(all[this.shown].peak));
  }

  key(event) {
    if (isWriting(event) || event.ctrlKey || event.metaKey || event.altKey || !this.zone) return;
    const steps = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
    if (event.key in steps) {
      if (event.target !== this.map) return;
      const [along, round] = steps[event.key];
      this.go(this.stepped(along, round, event.shiftKey), event.shiftKey);
    } else {
      const action = {
        h: () => this.sheet.pair(null), n: () => this.sheet.pair("neighbour"), t: () => this.sheet.pair("typical"),
        i: () => this.nextIndication(), o: () => this.zone.shape === "tube" && this.turnOver(),
        u: () => this.document && this.next((i) => desk.plan.statuses[this.document.status[i]] === "unread"),
        g: () => this.marks.querySelector("[data-mark=reference]").click(), x: () => this.marks.querySelector("[data-mark=skip]").click(),
        c: () => this.marks.querySelector("[data-mark=none]").click(), "[": () => this.turn(-1), "]": () => this.turn(1),
      }[event.key.toLowerCase()];
      if (!action) return;
      action();
    }
    event.preventDefault();
  }

  /** One step on; round a tube the last position neighbours the first, but a block ends at the seam's sheet. */
  stepped(along, round, isBlock) {
    const { zone, at: [station, position] } = this;
    const wraps = zone.shape === "tube" && !isBlock;
    const across = position + round;
    return [
      Math.min(Math.max(station + along, 0), zone.stations - 1),
      wraps ? (across + zone.positions) % zone.positions : Math.min(Math.max(across, 0), zone.positions - 1),
    ];
  }
}

export function openLook(place) {
  return new Look(place);
}
