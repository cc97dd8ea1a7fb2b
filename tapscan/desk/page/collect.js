// Collecting at the bench: the next point so large that it reads from a metre away, a cue for every tap once it
// is on disk, and the grid filling as one works.

import { cue } from "./cues.js";
import { desk, say, telling, trying } from "./desk.js";
import { button, draw, isWriting, make } from "./dom.js";
import { dropPlace } from "./drop.js";
import { blockPath, drawMap, pointAt } from "./map.js";
import { listen, microphones } from "./microphone.js";
import { placeOf, pointName } from "./surface.js";

const MOST_LINES = 8;

class Collect {
  standing = null; // what the desk told when it began: the points of the walk
  points = new Map(); // name -> { taken, skipped }
  now = null; // the point that the next tap counts for
  line = null; // to the desk, while listening
  isOn = false;
  chosen = null;
  zone = null;

  constructor(place) {
    this.place = place;
    this.big = make("p", { class: "big", role: "status" }, "—");
    this.dots = make("p", { class: "dots", "aria-hidden": "true" });
    this.meter = make("meter", { min: -80, max: 0, low: -60, high: -6, value: -80, "aria-label": "Loudness, dB below full scale" });
    this.level = make("span", { class: "quiet" }, "");
    this.lines = make("ol", { class: "taps", "aria-label": "Latest taps" });
    this.begin = button("Begin", () => this.beginOrPause(), "Space", { class: "primary" });
    this.endIt = button("End", () => this.line?.end(), null);
    this.orders = [
      button("Undo", () => this.order("undo"), "Z"), button("Repeat point", () => this.order("repeat"), "R"),
      button("Pass over", () => this.order("skip"), "S"),
      this.goTo = button("Go to …", () => this.chosen && this.order("go to", this.chosen), "Enter"),
    ];
    this.svg = draw("svg", { "aria-hidden": "true" });
    this.grid = make("div", { class: "map", tabindex: 0, role: "application", "aria-label": "Grid; arrow keys choose a point to go to" }, this.svg);
    this.progress = make("p", { class: "here" });
    this.zones = make("select", { onchange: () => this.choose(this.zones.value) });
    this.devices = make("select", {}, make("option", { value: "" }, "the usual one"));
    this.back = make("input", { type: "checkbox" });
    this.setUp = make("fieldset", { class: "row" }, make("legend", {}, "Before you begin"),
      make("label", {}, "Zone: ", this.zones), make("label", {}, "Microphone: ", this.devices),
      make("label", {}, this.back, " even stations are walked back"));
    place.append(
      make("div", { class: "left" }, this.setUp, this.big, this.dots,
        make("p", { class: "meter" }, this.meter, this.level),
        make("div", { class: "row big-buttons" }, this.begin, this.orders, this.endIt), this.lines),
      make("div", { class: "right" }, this.progress, this.grid,
        make("p", { class: "quiet" }, "Filled: complete. Pale: some taps. Hatched: passed over. Empty: to do, or left out on purpose. The frame is the next point."),
        dropPlace()));
    this.svg.addEventListener("pointerdown", (event) => {
      const box = this.svg.getBoundingClientRect();
      const at = pointAt(this.drawing, event.clientX - box.left, event.clientY - box.top);
      if (at) this.pick(at);
    });
    new ResizeObserver(() => this.redraw()).observe(this.grid);
    navigator.mediaDevices?.addEventListener("devicechange", () => this.listDevices());
    this.listDevices();
    this.showButtons();
  }

  async listDevices() {
    const found = (await microphones()).filter((device) => device.deviceId && device.deviceId !== "default");
    const chosen = this.devices.value;
    this.devices.replaceChildren(make("option", { value: "" }, "the usual one"),
      ...found.map((device) => make("option", { value: device.deviceId, selected: device.deviceId === chosen }, device.label || "unnamed")));
  }

  /** The plan or the readings changed. */
  refresh() {
    const zones = desk.plan.zones;
    const code = zones.some((zone) => zone.code === this.zone?.code) ? this.zone.code : zones.find((zone) => zone.methods.includes("tap"))?.code ?? zones[0].code;
    this.zones.replaceChildren(...zones.map((zone) => make("option", { value: zone.code, selected: zone.code === code }, zone.title)));
    this.choose(code);
  }

  choose(code) {
    this.zone = desk.zone(code);
    this.redraw();
  }

  async beginOrPause() {
    if (this.line) return this.order(this.isOn ? "pause" : "resume");
    this.line = await trying(() => listen({
      deviceId: this.devices.value, zones: [this.zone.code], thereAndBack: this.back.checked,
      onevent: (event) => this.take(event), onend: () => this.ended(),
    })) ?? null;
    this.listDevices();
    this.showButtons();
    return undefined;
  }

  order(command, point) {
    this.line?.order(command, point);
    // Away from the button, so that a pedal's next Space pauses and does not press it again.
    document.activeElement?.blur();
  }

  ended() {
    [this.line, this.isOn] = [null, false];
    this.level.textContent = "";
    this.meter.value = -80;
    this.showButtons();
    telling(() => desk.readState());
  }

  /** What the desk tells. A cue sounds here and nowhere earlier: by now the tap is on disk. */
  take(event) {
    cue(event.event);
    const action = {
      standing: () => this.stand(event),
      level: () => this.showLevel(event),
      accepted: () => { this.points.get(event.point).taken = event.number; this.tell("good", `${event.point}, tap ${event.number} of ${event.wanted}: good. ${quality(event)}`); },
      rejected: () => this.tell("bad", `${event.point}: ${event.reason}, not counted; ${event.advice}. ${quality(event)}`),
      moved: () => this.move(event.point),
      undone: () => { this.points.get(event.point).taken = event.taken; this.tell("plain", `${event.point}: the last tap was put aside, ${event.taken} left`); },
      repeated: () => { this.points.get(event.point).taken = 0; this.tell("plain", `${event.point}: all taps put aside`); },
      skipped: () => { this.points.get(event.point).skipped = true; this.tell("plain", `${event.point}: passed over`); },
      "zone complete": () => this.tell("good", `Zone ${event.zone} is complete${event.skipped ? `; ${event.skipped} passed over` : ""}. End, then analyse.`),
      listening: () => { this.isOn = event.is_on; this.showButtons(); },
      refused: () => this.tell("bad", event.sentence),
      warned: () => this.tell("bad", event.sentence),
      fault: () => say(event.sentence),
    }[event.event];
    action?.();
    if (event.event !== "level") this.redraw();
  }

  stand(event) {
    this.standing = event;
    this.points = new Map(event.points.map((one) => [one.point, one]));
    this.isOn = event.is_on;
    this.move(event.point);
    this.showButtons();
  }

  move(point) {
    this.now = point;
    if (point) {
      const one = this.points.get(point);
      one.skipped = false;
      this.chosen = null;
    }
  }

  showLevel({ peak_db: peak, is_limited: isLimited }) {
    this.meter.value = peak;
    this.level.textContent = isLimited ? "too loud: turn the microphone down" : `peak ${peak.toFixed(0).replace("-", "−")} dB`;
  }

  tell(kind, words) {
    const sign = { good: "✓", bad: "✗", plain: "·" }[kind];
    this.lines.prepend(make("li", { class: kind }, make("span", { "aria-hidden": "true" }, `${sign} `), words));
    while (this.lines.children.length > MOST_LINES) this.lines.lastChild.remove();
  }

  showButtons() {
    this.begin.firstChild.textContent = !this.line ? "Begin" : this.isOn ? "Pause" : "Go on";
    for (const one of [...this.orders, this.endIt]) one.disabled = !this.line;
    this.setUp.hidden = Boolean(this.line); // its room goes to the next point
    this.place.classList.toggle("listening", this.isOn && Boolean(this.line));
  }

  pick(at) {
    this.chosen = pointName(this.zone, at);
    this.redraw();
  }

  redraw() {
    this.showNow();
    if (!this.zone || this.grid.clientWidth < 100) return; // hidden
    const { zone } = this;
    const skip = new Set(zone.skip), read = new Set(zone.read.tap ?? []);
    const kindOf = (i) => {
      const one = this.points.get(pointName(zone, [Math.floor(i / zone.positions), i % zone.positions]));
      if (skip.has(i)) return "skipped";
      if (!one) return read.has(i) ? "done" : "todo";
      if (one.taken >= this.standing.wanted) return "done";
      return one.skipped ? "unread" : one.taken > 0 ? "part" : "todo";
    };
    this.drawing = drawMap(this.svg, zone, { kindOf, signsOf: () => [], indications: [] }, this.grid.clientWidth - 4);
    for (const [name, kind] of [[this.chosen, "cursor"], [this.now, "next"]]) {
      if (name?.startsWith(`${zone.code}-`)) {
        const d = blockPath(this.drawing, placeOf(name), placeOf(name));
        this.svg.append(draw("path", { class: "cursor halo", d }), draw("path", { class: kind, d }));
      }
    }
  }

  showNow() {
    const one = this.now && this.points.get(this.now);
    const words = !this.standing ? "ready" : this.now ?? "all done";
    if (this.big.textContent !== words) this.big.textContent = words;
    this.big.style.setProperty("--letters", Math.max(words.length, 8));
    this.dots.textContent = one ? "●".repeat(one.taken) + "○".repeat(Math.max(0, this.standing.wanted - one.taken)) : "";
    this.goTo.firstChild.textContent = this.chosen ? `Go to ${this.chosen}` : "Go to …";
    const all = [...this.points.values()];
    const done = all.filter((point) => point.taken >= this.standing?.wanted).length;
    this.progress.textContent = this.standing ? `${done} of ${all.length} points complete` : `${desk.plan?.taps_per_point ?? ""} taps at each point, station by station from position 1`;
  }

  key(event) {
    if (isWriting(event) || event.ctrlKey || event.metaKey || event.altKey) return;
    const isOnButton = event.target.closest("button, a, summary, input");
    const steps = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
    if (steps && event.target === this.grid) {
      const [station, position] = placeOf(this.chosen ?? this.now ?? `${this.zone.code}-1-1`);
      const within = (value, count) => Math.min(Math.max(value, 0), count - 1);
      this.pick([within(station + steps[0], this.zone.stations), within(position + steps[1], this.zone.positions)]);
    } else if (event.key === " " && !isOnButton) this.beginOrPause();
    else if (event.key === "Enter" && !isOnButton && this.chosen) this.order("go to", this.chosen);
    else if (["z", "r", "s"].includes(event.key.toLowerCase()) && this.line) this.order({ z: "undo", r: "repeat", s: "skip" }[event.key.toLowerCase()]);
    else return;
    event.preventDefault();
  }
}

const quality = ({ peak_db: peak, snr_db: snr }) => `Peak ${peak.toFixed(0).replace("-", "−")} dB, ${snr.toFixed(0)} dB over the noise.`;

export function openCollect(place) {
  return new Collect(place);
}
