// The sheet of one point: its status in words, its sound, its evidence and its numbers.

import { ask, telling } from "./desk.js";
import { button, make } from "./dom.js";
import { decayParts, sectionChart, spectrumCharts, traceChart } from "./evidence.js";
import { hear } from "./hear.js";

const NUMBERS = {
  n_taps: ["taps used", 1, 0, ""],
  centroid_hz: ["centroid", 1e-3, 2, "kHz"],
  peak_hz: ["peak frequency", 1e-3, 2, "kHz"],
  damping_ratio: ["damping ratio", 1, 4, ""],
  decay_time_s: ["decay time", 1e3, 1, "ms"],
  level_db: ["level", 1, 1, "dB"],
  snr_db: ["signal over noise", 1, 1, "dB"],
  damage_probability: ["damage probability", 1, 2, ""],
  noise_db: ["uncertainty from room noise", 1, 1, "dB"],
  tof_us: ["time of flight", 1, 3, "µs"],
  depth_mm: ["depth of the echo", 1, 2, "mm"],
  thickness_mm: ["thickness", 1, 2, "mm"],
  backwall_db: ["back-wall echo", 1, 1, "dB"],
  echo_db: ["echo from inside", 1, 1, "dB"],
};

export class Sheet {
  constructor() {
    this.sound = make("div", { class: "sound" });
    this.words = make("div", {});
    this.rest = make("div", {}); // charts and numbers
    this.point = null; // the document of the point that is shown
    this.asked = 0;
  }

  /** Show nothing but a sentence. */
  clear(sentence) {
    this.asked += 1;
    this.point = null;
    this.words.replaceChildren(make("p", {}, sentence));
    for (const place of [this.sound, this.rest]) place.replaceChildren();
  }

  /** Show a point; an older answer that comes late is dropped. */
  async show(name, method, gateOf) {
    this.asked += 1;
    const mine = this.asked;
    const point = await telling(() => ask(`/api/points/${name}/${method}`));
    if (!point || mine !== this.asked) return;
    this.point = point;
    this.sound.replaceChildren(...this.sounds(point));
    this.words.replaceChildren(...this.head(point));
    this.rest.replaceChildren(...this.evidence(point, gateOf())); // the gate of now: it may have moved meanwhile
    await this.more(point, mine);
  }

  head(point) {
    const judged =
      point.score === null
        ? `Unread (${point.reason || "no reading"}): nothing is known about this point.`
        : `Score ${point.score.toFixed(2)}; suspect from 1. ${rarity(point.p_value)}`;
    const within = point.indication ? `Part of indication ${point.indication}.` : "";
    const isDoubtful = point.is_reference && point.status === "suspect";
    const where = `x = ${point.x_mm.toFixed(1)} mm, s = ${point.s_mm.toFixed(1)} mm.`;
    return [
      point.status === "skipped"
        ? make("p", {}, "Skipped on purpose: nothing is known about this point.")
        : make("p", {}, [judged, within, where].filter(Boolean).join(" ")),
      point.is_reference &&
        make(
          "p",
          { class: isDoubtful ? "stale" : "quiet" },
          isDoubtful ? "Marked known good, yet suspect: check it." : "Marked known good: part of the baseline.",
        ),
    ].filter(Boolean);
  }

  /** The points that a key lets one hear: this one, then another. */
  pair(other) {
    if (this.point?.method === "tap") {
      const second = other ? this.point[other] : null;
      hear(second ? [this.point.point, second] : [this.point.point], (name) => {
        this.heard.textContent = name ? `Playing: ${name}` : "Every tap plays at the same peak level.";
      });
    }
  }

  sounds(point) {
    if (point.method !== "tap" || point.reason === "missing" || point.status === "skipped") return [];
    const then = (name, words) => make("span", {}, words, make("small", {}, name));
    this.heard = make("p", { class: "quiet heard", role: "status" }, "Every tap plays at the same peak level.");
    return [
      make(
        "div",
        { class: "row play", role: "group", "aria-label": "Play" },
        button("Play", () => this.pair(null), "H"),
        point.neighbour &&
          button(then(point.neighbour, "+ neighbour"), () => this.pair("neighbour"), "N"),
        point.typical && button(then(point.typical, "+ typical"), () => this.pair("typical"), "T"),
      ),
      this.heard,
    ];
  }

  evidence(point, gate_mm) {
    const rows = Object.entries(point.features)
      .filter(([, value]) => value !== null)
      .map(([name, value]) => {
        const [words, times, digits, unit] = NUMBERS[name] ?? [name.replaceAll("_", " "), 1, 3, ""];
        return make(
          "tr",
          {},
          make("th", { scope: "row" }, words),
          make("td", {}, `${(value * times).toFixed(digits)} ${unit}`),
        );
      });
    this.charts = make("div", { class: "charts" });
    this.gate = make("div", {});
    if (point.spectrum) this.charts.append(...spectrumCharts(point.point, point.spectrum));
    if (point.trace) this.charts.append(this.gate);
    this.drawTrace(gate_mm);
    return [
      this.charts,
      rows.length > 0 &&
        make("table", { class: "small" }, make("caption", {}, "Measured"), make("tbody", {}, rows)),
    ].filter(Boolean);
  }

  /** Draw the A-scan anew when the slice's gate moves. */
  drawTrace(gate_mm) {
    if (this.point?.trace) this.gate.replaceChildren(traceChart(this.point.point, this.point.trace, gate_mm));
  }

  /** What takes the desk longer comes after the rest. */
  async more(point, mine) {
    if (point.method === "tap" && point.spectrum) {
      const decay = await telling(() => ask(`/api/decays/${point.point}`));
      if (decay && mine === this.asked) this.charts.append(...decayParts(point.point, decay));
    }
    if (point.trace) {
      for (const along of ["station", "position"]) {
        const section = await telling(() => ask(`/api/sections/${point.point}/${along}`));
        if (!section || mine !== this.asked) return;
        this.charts.append(
          make("h3", {}, `B-scan along the ${along}s`),
          sectionChart(
            section,
            `B-scan through ${point.point} along the ${along}s, strong signal in strong colours.`,
          ),
        );
      }
    }
  }
}

/** How rare such a score is among sound points. */
function rarity(p) {
  if (p > 0.2) return "Sound points often score this high.";
  const one = p < 1e-6 ? "a million" : Math.round(1 / p).toLocaleString("en-GB");
  return `About 1 sound point in ${one} scores this high.`;
}
