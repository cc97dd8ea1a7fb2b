// The row above the map: which zone by which method, what its colours mean, flat or round, and the reports.

import { ask, desk, telling } from "./desk.js";
import { button, make } from "./dom.js";
import { reportLinks } from "./papers.js";

export class Controls {
  constructor(look) {
    this.look = look;
    this.place = make("div", { class: "row" });
    this.enlarge = button("Enlarge", () => look.enlarge());
    // Where there is no Shift key: the next touches set the corners of a block.
    this.block = button("Select block", () => look.toggleBlock());
    this.reports = make("nav", { class: "row reports", "aria-label": "Reports" });
  }

  /** Make the row anew, for the zone that is looked at. */
  show() {
    const { look } = this;
    const isTube = look.zone.shape === "tube" && !look.raster.isOn;
    const parts = [
      make("label", {}, "Zone ", this.zones()),
      ...this.colours(),
      isTube && button(look.isRound ? "Unroll" : "Round view", () => look.turnOver(), "O"),
      isTube && look.isRound && button("Turn", () => look.turn(1), "]"),
      !look.isRound && this.enlarge,
      this.block,
      this.reports,
    ];
    this.place.replaceChildren(...parts.filter(Boolean));
    this.showPressed();
  }

  /** Which of the two are on; they stay where they are, and keep the focus. */
  showPressed() {
    this.enlarge.setAttribute("aria-pressed", String(this.look.isEnlarged));
    this.block.setAttribute("aria-pressed", String(this.look.isBlock));
  }

  /** The reports on the whole part, each one press away; those that are there stay until the answer comes. */
  async showReports() {
    const links = await telling(reportLinks);
    if (links) this.reports.replaceChildren(...links);
  }

  zones() {
    const { zone: shown, method: shownMethod } = this.look;
    const options = desk.plan.zones.flatMap((zone) =>
      zone.methods.map((method) => {
        const selected = zone.code === shown.code && method === shownMethod;
        const words = `${zone.title}, ${desk.plan.method_names[method]}`;
        return make("option", { value: `${zone.code} ${method}`, selected }, words);
      }),
    );
    return make("select", { onchange: (event) => this.look.to(...event.target.value.split(" ")) }, options);
  }

  colours() {
    const { zone, method, document: found, layer: shown } = this.look;
    if (!found || found.layers.length < 2) return [];
    const canSlice = method === "ascan" && zone.thickness_mm !== null && zone.velocity_m_s !== null;
    const options = found.layers.map((layer, i) =>
      make("option", { value: i, selected: i === shown }, i === 0 ? "Score" : layer.title),
    );
    if (canSlice) options.push(make("option", { value: "slice" }, "C-scan at a depth"));
    this.choice = make("select", { onchange: () => this.colourBy(this.choice.value) }, options);
    const colour = make("label", {}, "Colours ", this.choice);
    if (!canSlice) return [colour];
    const range = { min: 0, max: zone.thickness_mm, step: 0.02, value: zone.thickness_mm / 2 };
    this.depth = make("input", { type: "range", ...range, oninput: () => this.cut() });
    this.depthText = make("output", {});
    return [colour, make("label", { class: "depth" }, "Depth ", this.depth, this.depthText)];
  }

  colourBy(choice) {
    if (choice === "slice") {
      this.cut();
      return;
    }
    if (this.depthText) this.depthText.textContent = "";
    this.look.layer = Number(choice);
    this.look.showSlice(null);
  }

  /** Colour by a C-scan at the slider's depth. */
  async cut() {
    const depth_mm = Number(this.depth.value);
    this.choice.value = "slice";
    this.depthText.textContent = `${depth_mm.toFixed(2)} mm`;
    const path = `/api/slices/${this.look.zone.code}?depth_mm=${depth_mm.toFixed(3)}`;
    const slice = await telling(() => ask(path));
    // While the slider moves, only the answer for where it is now counts.
    const isCurrent = depth_mm === Number(this.depth.value) && this.choice.value === "slice";
    if (slice && isCurrent) this.look.showSlice(slice);
  }
}
