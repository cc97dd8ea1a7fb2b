// Collecting at the bench: the next point in type that can be read from two metres, a cue for every tap once it
// is on disk, and the grid filling as the work goes on.

import { again } from "./again.js";
import { cue } from "./cues.js";
import { ask, desk, say, telling, trying } from "./desk.js";
import { button, isWriting, make } from "./dom.js";
import { dropPlace } from "./drop.js";
import { openLine } from "./line.js";
import { listenHere, microphones } from "./microphone.js";
import { Setup, isPiece } from "./setup.js";
import { Walk, bannerOf } from "./walk.js";
import { WalkGrid } from "./walkgrid.js";

const MOST_LINES = 8;
const QUIETEST_DB = -80;
const LAST_RING_MS = 1500; // a tap that rings on is lengthened after it was counted
const COMPUTER = "computer:"; // begins the value of a microphone that is not the browser's
const ORDERS = { z: "undo", r: "repeat", b: "back", s: "skip" };
const FAULT_WORDS = { "too few taps": "with too few taps", "double hit": "with a double hit" };
const GRID_WORDS =
  "Filled: complete. Pale: too few taps. Cross: no usable tap. Bar: skipped while tapping. " +
  "Hatched: no reading yet. Empty: skipped in the plan. The thick frame is the next point.";

class Collect {
  walk = new Walk();
  line = null; // to the desk, while listening
  isPiece = false; // whether the known piece is tapped, to check the setup

  constructor(place) {
    this.place = place;
    this.grid = new WalkGrid(this.walk, () => this.show());
    this.big = make("p", { class: "big", role: "status" }, "ready");
    this.dots = make("p", { class: "dots", "aria-hidden": "true" });
    this.banner = make("p", { class: "banner", role: "status", hidden: true });
    const loudness = {
      min: QUIETEST_DB,
      max: 0,
      value: QUIETEST_DB,
      "aria-label": "Loudness, dB below full scale",
    };
    this.meter = make("meter", loudness);
    this.level = make("span", { class: "quiet" });
    this.lines = make("ol", { class: "taps", "aria-label": "Latest taps" });
    this.begin = button("Start", () => this.beginOrPause(), "Space", { class: "primary" });
    this.goTo = button("Go to …", () => this.goToChosen(), "Enter");
    this.orders = [
      button("Undo tap", () => this.order("undo"), "Z"),
      button("Repeat point", () => this.order("repeat"), "R"),
      button("Back", () => this.order("back"), "B"),
      button("Skip", () => this.order("skip"), "S"),
      this.goTo,
      button("Finish", () => this.line?.end(), null),
    ];
    this.progress = make("p", { class: "here" });
    this.truth = make("div", {});
    this.setup = new Setup((value) => {
      this.zones.value = value;
      this.chooseZone(value);
      this.begin.focus();
    });
    const meter = make("p", { class: "meter" }, this.meter, this.level);
    const buttons = make("div", { class: "row big-buttons" }, this.begin, this.orders);
    place.append(
      make(
        "div",
        { class: "left" },
        this.makeSetUp(),
        this.big,
        this.dots,
        this.banner,
        meter,
        buttons,
        this.lines,
      ),
      make(
        "div",
        {},
        this.progress,
        this.truth,
        this.grid.place,
        make("p", { class: "quiet" }, GRID_WORDS),
        this.setup.place,
        dropPlace(),
      ),
    );
    again.addEventListener("change", () => this.showAgain());
    this.showButtons();
  }

  makeSetUp() {
    this.zones = make("select", { onchange: () => this.chooseZone(this.zones.value) });
    this.devices = make("select", {});
    this.back = make("input", { type: "checkbox" });
    navigator.mediaDevices?.addEventListener("devicechange", () => this.listDevices());
    this.listDevices();
    this.list = make("div", { class: "row", hidden: true });
    this.setUp = make(
      "fieldset",
      {},
      make("legend", {}, "Before you start"),
      make(
        "div",
        { class: "row" },
        make("label", {}, "Zone ", this.zones),
        make("label", {}, "Microphone ", this.devices),
        make("label", {}, this.back, " Tap even stations in reverse"),
      ),
      this.list,
    );
    return this.setUp;
  }

  async listDevices() {
    const chosen = this.devices.value;
    const found = (await microphones()).filter(({ deviceId }) => deviceId && deviceId !== "default");
    const named = found.map(({ deviceId: value, label }) =>
      make("option", { value, selected: value === chosen }, label || "unnamed"),
    );
    this.devices.replaceChildren(
      make("optgroup", { label: "This browser" }, make("option", { value: "" }, "Default microphone"), ...named),
      ...(await this.computersInputs(chosen)),
    );
  }

  /** The inputs of the computer that runs the desk, which may not be the one with this browser. */
  async computersInputs(chosen) {
    const { inputs } = (await telling(() => ask("/api/inputs"))) ?? { inputs: [] };
    const options = inputs.map(({ number, name }) => {
      const value = `${COMPUTER}${number}`;
      return make("option", { value, selected: value === chosen }, name);
    });
    return options.length > 0 ? [make("optgroup", { label: "Computer running tapscan" }, ...options)] : [];
  }

  /** The plan or the readings changed. */
  async refresh() {
    this.listZones();
    await this.setup.refresh();
    if (this.setup.zone !== null) this.listZones();
  }

  listZones() {
    const zones = desk.plan.zones;
    const tapped = zones.find((zone) => zone.methods.includes("tap")) ?? zones[0];
    const { code } = zones.find((zone) => zone.code === this.grid.zone?.code) ?? tapped;
    const isPieceChosen = this.isPiece && this.setup.zone !== null;
    const options = zones.map((zone) =>
      make("option", { value: zone.code, selected: zone.code === code && !isPieceChosen }, zone.title),
    );
    if (this.setup.zone !== null) options.push(this.setup.option(isPieceChosen));
    this.zones.replaceChildren(...options);
    this.chooseZone(isPieceChosen ? this.setup.value : code);
  }

  chooseZone(code) {
    if (isPiece(code) !== this.isPiece && !this.line) this.walk.clear();
    this.isPiece = isPiece(code);
    if (this.isPiece) {
      this.grid.zone = this.setup.zone;
      this.grid.tally = new Map();
      this.truth.replaceChildren();
      again.set([]);
      this.grid.redraw();
      this.show();
      return;
    }
    this.grid.zone = desk.zone(code);
    if (again.zone !== null && again.zone !== code) again.set([]);
    this.grid.redraw();
    this.show();
    this.readTally();
  }

  /** What the recordings of the zone hold: said before anybody starts, and drawn. */
  async readTally() {
    const { code } = this.grid.zone;
    const tally = await telling(() => ask(`/api/taps/${code}`));
    if (!tally || this.grid.zone.code !== code || this.isPiece) return;
    this.grid.tally = new Map(tally.points.map((one) => [one.point, one]));
    this.grid.redraw();
    this.truth.replaceChildren(...truthOf(tally, (names) => again.set(names)));
  }

  /** The list of points to tap again, when there is one. */
  showAgain() {
    const { names } = again;
    if (names.length > 0) {
      this.zones.value = again.zone;
      if (this.grid.zone?.code !== again.zone) this.chooseZone(again.zone);
    }
    const shown = names.slice(0, 12).join(", ") + (names.length > 12 ? ` and ${names.length - 12} more` : "");
    const count = names.length === 1 ? "1 point" : `${names.length} points`;
    this.list.hidden = names.length === 0;
    this.list.replaceChildren(
      make("strong", {}, `Tap ${count} again: `),
      shown,
      button("Whole zone instead", () => again.set([])),
    );
    this.show();
  }

  async beginOrPause() {
    if (this.isOpening) return; // a second press, or a pedal held down, while the microphone opens
    if (this.line) {
      this.order(this.walk.isOn ? "pause" : "resume");
      return;
    }
    const places = again.names.length > 0 ? again.names : [this.grid.zone.code];
    const walk = { zones: places, there_and_back: this.back.checked };
    if (this.isPiece) walk.known_piece = this.setup.said;
    this.check = null;
    const heard = { onevent: (event) => this.take(event), onend: () => this.ended() };
    const chosen = this.devices.value;
    const begin = chosen.startsWith(COMPUTER)
      ? () => openLine({ first: { ...walk, input: chosen.slice(COMPUTER.length) }, ...heard })
      : () => listenHere({ deviceId: chosen, walk, ...heard });
    this.isOpening = true;
    this.line = (await trying(begin)) ?? null;
    this.isOpening = false;
    this.listDevices();
    this.showButtons();
  }

  goToChosen() {
    if (this.grid.chosen) this.order("go to", this.grid.chosen);
  }

  order(command, point) {
    this.line?.order(command, point);
    // Away from the button, so that a pedal's next Space pauses and does not press it again.
    document.activeElement?.blur();
  }

  ended() {
    const isDone = this.walk.points !== null && this.walk.now === null;
    this.line = null;
    this.walk.isOn = false;
    this.banner.hidden = true;
    if (isDone) again.set([]);
    if (this.check) {
      this.walk.clear();
      this.grid.redraw();
      this.show();
      this.setup.judged(this.check);
    }
    this.level.textContent = "";
    this.meter.value = QUIETEST_DB;
    this.showButtons();
    telling(() => desk.readState());
  }

  /** Take an event. A cue sounds here and nowhere earlier: by now the tap is on disk. */
  take(event) {
    if (event.cue) cue(event.cue);
    if (event.event === "level") {
      this.showLevel(event);
      return;
    }
    if (event.event === "fault") say(event.sentence);
    if (event.event === "check") this.check = event.time;
    if (event.event === "zone complete" && this.isPiece) setTimeout(() => this.line?.end(), LAST_RING_MS);
    if (event.event === "moved" && event.point) this.grid.chosen = null;
    let line = this.walk.take(event);
    if (event.event === "zone complete" && this.isPiece) line = ["good", "All points of the known piece are tapped."];
    if (line) this.addLine(...line);
    this.showBanner(event);
    this.grid.redraw();
    this.show();
    this.showButtons();
  }

  showLevel({ peak_db: peak, is_limited: isLimited }) {
    this.meter.value = peak;
    const quietly = `peak ${peak.toFixed(0).replace("-", "−")} dB`;
    this.level.textContent = isLimited ? "too loud: turn the microphone down" : quietly;
  }

  /** The latest outcome, or that the capture is paused, readable from two metres. */
  showBanner(event) {
    if (event.event === "listening" && event.is_on) this.banner.hidden = true;
    const paused = { kind: "paused", words: "Ⅱ Paused", small: "taps are not counted: press Space or Continue" };
    const shown = this.walk.isOn ? bannerOf(event) : paused;
    if (!shown || event.event === "standing") return;
    this.banner.className = `banner ${shown.kind}`;
    this.banner.replaceChildren(shown.words, make("small", {}, shown.small));
    this.banner.hidden = false;
  }

  addLine(kind, words) {
    const sign = { good: "✓", bad: "✗", plain: "·" }[kind];
    const line = make("li", { class: kind }, make("span", { "aria-hidden": "true" }, `${sign} `), words);
    this.lines.prepend(line);
    while (this.lines.children.length > MOST_LINES) this.lines.lastChild.remove();
  }

  show() {
    const { walk, grid } = this;
    const first = again.names[0] ?? "ready";
    const words = walk.points === null || (!this.line && again.names.length > 0) ? first : (walk.now ?? "all done");
    if (this.big.textContent !== words) this.big.textContent = words;
    this.big.style.setProperty("--letters", Math.max(words.length, 8));
    this.dots.textContent = walk.dots;
    this.goTo.firstChild.textContent = grid.chosen ? `Go to ${grid.chosen}` : "Go to …";
    this.goTo.disabled = this.line === null || !grid.chosen;
    const plan = this.isPiece ? this.setup.plan : desk.plan;
    const before = `${plan.taps_per_point} taps at each point, station by station from position 1.`;
    const within = `${walk.done} of ${walk.all.length} points complete`;
    this.progress.textContent = walk.points === null ? before : within;
  }

  showButtons() {
    const isListening = this.line !== null;
    this.begin.firstChild.textContent = !isListening ? "Start" : this.walk.isOn ? "Pause" : "Continue";
    for (const one of this.orders) one.disabled = !isListening;
    this.goTo.disabled = !isListening || !this.grid.chosen;
    this.setUp.hidden = isListening; // its room goes to the next point
    this.place.classList.toggle("listening", isListening && this.walk.isOn);
  }

  key(event) {
    if (isWriting(event) || event.ctrlKey || event.metaKey || event.altKey) return;
    const isOnButton = event.target.closest("button, a, summary, input") !== null;
    const isHeld = event.repeat && event.key === " "; // a pedal that is held down is one press
    const order = ORDERS[event.key.toLowerCase()];
    if (this.grid.key(event)) {
      // the grid took it
    } else if (event.key === " " && !isOnButton) {
      if (!isHeld) this.beginOrPause();
    } else if (event.key === "Enter" && !isOnButton && this.grid.chosen && this.line) {
      this.goToChosen();
    } else if (order && this.line) {
      this.order(order);
    } else {
      return;
    }
    event.preventDefault();
  }
}

/** What the recordings hold, in a sentence or two, and a button to tap the bad points again. */
function truthOf({ planned, points }, tapAgain) {
  if (points.length === 0) return [];
  const bad = points.filter((one) => one.fault !== "");
  const counts = new Map();
  for (const { fault } of bad) counts.set(fault, (counts.get(fault) ?? 0) + 1);
  const good = points.length - bad.length;
  const todo = planned - points.length;
  const faults = [...counts].map(([fault, count]) => `${count} ${FAULT_WORDS[fault] ?? fault}`).join(", ");
  const rest = [faults, todo > 0 && `${todo} without a recording`].filter(Boolean).join(", ");
  const words = `On disk: ${good} of ${planned} points complete${rest ? `; ${rest}` : ""}.`;
  const many = bad.length === 1 ? "Tap it again" : `Tap these ${bad.length} again`;
  return [
    make("p", { class: bad.length > 0 ? "stale" : "" }, words),
    bad.length > 0 &&
      make(
        "details",
        {},
        make("summary", {}, "Which points"),
        make("p", {}, bad.map((one) => `${one.point} (${one.fault}, ${one.taken} usable)`).join(", ")),
        button(many, () => tapAgain(bad.map((one) => one.point))),
      ),
  ].filter(Boolean);
}

export function openCollect(place) {
  return new Collect(place);
}
