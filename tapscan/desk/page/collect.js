// Collecting at the bench: the next point so large that it reads from a metre away, a cue for every tap once it
// is on disk, and the grid filling as one works.

import { cue } from "./cues.js";
import { ask, desk, say, telling, trying } from "./desk.js";
import { button, isWriting, make } from "./dom.js";
import { dropPlace } from "./drop.js";
import { openLine } from "./line.js";
import { listenHere, microphones } from "./microphone.js";
import { Walk } from "./walk.js";
import { WalkGrid } from "./walkgrid.js";

const MOST_LINES = 8;
const QUIETEST_DB = -80;
const COMPUTER = "computer:"; // begins the value of a microphone that is not the browser's
const ORDERS = { z: "undo", r: "repeat", s: "skip" };
const GRID_WORDS =
  "Filled: complete. Pale: some taps. Hatched: passed over. Empty: to do, or left out on purpose. " +
  "The frame is the next point.";

class Collect {
  walk = new Walk();
  line = null; // to the desk, while listening

  constructor(place) {
    this.place = place;
    this.grid = new WalkGrid(this.walk, () => this.show());
    this.big = make("p", { class: "big", role: "status" }, "ready");
    this.dots = make("p", { class: "dots", "aria-hidden": "true" });
    const loudness = {
      min: QUIETEST_DB,
      max: 0,
      value: QUIETEST_DB,
      "aria-label": "Loudness, dB below full scale",
    };
    this.meter = make("meter", loudness);
    this.level = make("span", { class: "quiet" });
    this.lines = make("ol", { class: "taps", "aria-label": "Latest taps" });
    this.begin = button("Begin", () => this.beginOrPause(), "Space", { class: "primary" });
    this.goTo = button("Go to …", () => this.order("go to", this.grid.chosen), "Enter");
    this.orders = [
      button("Undo", () => this.order("undo"), "Z"),
      button("Repeat point", () => this.order("repeat"), "R"),
      button("Pass over", () => this.order("skip"), "S"),
      this.goTo,
      button("End", () => this.line?.end(), null),
    ];
    this.progress = make("p", { class: "here" });
    const meter = make("p", { class: "meter" }, this.meter, this.level);
    const buttons = make("div", { class: "row big-buttons" }, this.begin, this.orders);
    place.append(
      make("div", { class: "left" }, this.makeSetUp(), this.big, this.dots, meter, buttons, this.lines),
      make("div", {}, this.progress, this.grid.place, make("p", { class: "quiet" }, GRID_WORDS), dropPlace()),
    );
    this.showButtons();
  }

  makeSetUp() {
    this.zones = make("select", { onchange: () => this.chooseZone(this.zones.value) });
    this.devices = make("select", {});
    this.back = make("input", { type: "checkbox" });
    navigator.mediaDevices?.addEventListener("devicechange", () => this.listDevices());
    this.listDevices();
    this.setUp = make(
      "fieldset",
      { class: "row" },
      make("legend", {}, "Before you begin"),
      make("label", {}, "Zone: ", this.zones),
      make("label", {}, "Microphone: ", this.devices),
      make("label", {}, this.back, " even stations are walked back"),
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
      make("optgroup", { label: "of this browser" }, make("option", { value: "" }, "the usual one"), ...named),
      ...(await this.computersInputs(chosen)),
    );
  }

  /** What the computer that runs the desk can record from; it may stand where no browser is. */
  async computersInputs(chosen) {
    const { inputs } = (await telling(() => ask("/api/inputs"))) ?? { inputs: [] };
    const options = inputs.map(({ number, name }) => {
      const value = `${COMPUTER}${number}`;
      return make("option", { value, selected: value === chosen }, name);
    });
    return options.length > 0 ? [make("optgroup", { label: "of the computer" }, ...options)] : [];
  }

  /** The plan or the readings changed. */
  refresh() {
    const zones = desk.plan.zones;
    const tapped = zones.find((zone) => zone.methods.includes("tap")) ?? zones[0];
    const { code } = zones.find((zone) => zone.code === this.grid.zone?.code) ?? tapped;
    const options = zones.map((zone) =>
      make("option", { value: zone.code, selected: zone.code === code }, zone.title),
    );
    this.zones.replaceChildren(...options);
    this.chooseZone(code);
  }

  chooseZone(code) {
    this.grid.zone = desk.zone(code);
    this.grid.redraw();
    this.show();
  }

  async beginOrPause() {
    if (this.isOpening) return; // a second press, or a pedal held down, while the microphone opens
    if (this.line) {
      this.order(this.walk.isOn ? "pause" : "resume");
      return;
    }
    const walk = { zones: [this.grid.zone.code], there_and_back: this.back.checked };
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

  order(command, point) {
    if (command !== "go to" || point) this.line?.order(command, point);
    // Away from the button, so that a pedal's next Space pauses and does not press it again.
    document.activeElement?.blur();
  }

  ended() {
    this.line = null;
    this.walk.isOn = false;
    this.level.textContent = "";
    this.meter.value = QUIETEST_DB;
    this.showButtons();
    telling(() => desk.readState());
  }

  /** What the desk tells. A cue sounds here and nowhere earlier: by now the tap is on disk. */
  take(event) {
    if (event.cue) cue(event.cue);
    if (event.event === "level") {
      this.showLevel(event);
      return;
    }
    if (event.event === "fault") say(event.sentence);
    if (event.event === "moved" && event.point) this.grid.chosen = null;
    const told = this.walk.take(event);
    if (told) this.tell(...told);
    this.grid.redraw();
    this.show();
    this.showButtons();
  }

  showLevel({ peak_db: peak, is_limited: isLimited }) {
    this.meter.value = peak;
    const quietly = `peak ${peak.toFixed(0).replace("-", "−")} dB`;
    this.level.textContent = isLimited ? "too loud: turn the microphone down" : quietly;
  }

  tell(kind, words) {
    const sign = { good: "✓", bad: "✗", plain: "·" }[kind];
    const line = make("li", { class: kind }, make("span", { "aria-hidden": "true" }, `${sign} `), words);
    this.lines.prepend(line);
    while (this.lines.children.length > MOST_LINES) this.lines.lastChild.remove();
  }

  show() {
    const { walk, grid } = this;
    const words = walk.points === null ? "ready" : (walk.now ?? "all done");
    if (this.big.textContent !== words) this.big.textContent = words;
    this.big.style.setProperty("--letters", Math.max(words.length, 8));
    this.dots.textContent = walk.dots;
    this.goTo.firstChild.textContent = grid.chosen ? `Go to ${grid.chosen}` : "Go to …";
    const before = `${desk.plan.taps_per_point} taps at each point, station by station from position 1`;
    const within = `${walk.done} of ${walk.all.length} points complete`;
    this.progress.textContent = walk.points === null ? before : within;
  }

  showButtons() {
    const isListening = this.line !== null;
    this.begin.firstChild.textContent = !isListening ? "Begin" : this.walk.isOn ? "Pause" : "Go on";
    for (const one of this.orders) one.disabled = !isListening;
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
    } else if (event.key === "Enter" && !isOnButton && this.grid.chosen) {
      this.order("go to", this.grid.chosen);
    } else if (order && this.line) {
      this.order(order);
    } else {
      return;
    }
    event.preventDefault();
  }
}

export function openCollect(place) {
  return new Collect(place);
}
