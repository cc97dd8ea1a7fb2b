// The sheet of one point: its status in words, its sound, its evidence, its numbers, and the marks set on it.

import { ask, desk, tell, telling, trying } from "./desk.js";
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
  constructor(place) {
    this.place = place;
    this.point = null; // the document of the point that is shown
    this.asked = 0;
  }

  /** Show a point; an older answer that comes late is dropped. */
  async show(name, method, gate_mm) {
    this.asked += 1;
    const mine = this.asked;
    const point = await telling(() => ask(`/api/points/${name}/${method}`));
    if (!point || mine !== this.asked) return;
    this.point = point;
    this.heard = make("p", { class: "quiet", role: "status" });
    this.place.replaceChildren(
      ...this.head(point),
      ...this.sounds(point),
      ...this.numbersAndMarks(point, gate_mm),
    );
    await this.more(point, mine);
  }

  head(point) {
    const sign = desk.plan.signs[point.status];
    const why = point.reason ? `: ${point.reason}` : "";
    const judged =
      point.score === null
        ? "Nothing is known about this point."
        : `Score ${point.score.toFixed(2)}; 1 is where a reading becomes suspect. A good reading lies as far out once in ${oneIn(point.p_value)}.`;
    const within = point.indication ? `Part of indication ${point.indication}.` : "";
    const marked = point.is_reference ? "Marked as good in the plan." : "";
    return [
      make("h2", { id: "point-name" }, point.point),
      make("p", { class: `verdict ${point.status}` }, `${sign} ${point.status}${why}`),
      point.status === "skipped"
        ? make("p", {}, "Left out on purpose: nothing is known about this point.")
        : make("p", {}, [judged, within, marked].filter(Boolean).join(" ")),
      make("p", { class: "quiet" }, `x = ${point.x_mm.toFixed(1)} mm, s = ${point.s_mm.toFixed(1)} mm`),
    ];
  }

  /** The points that a key lets one hear: this one, then another. */
  pair(other) {
    if (this.point?.method === "tap") {
      const second = other ? this.point[other] : null;
      hear(second ? [this.point.point, second] : [this.point.point], (name) => {
        this.heard.textContent = name ? `Sounding: ${name}` : "";
      });
    }
  }

  sounds(point) {
    if (point.method !== "tap" || point.reason === "missing" || point.status === "skipped") return [];
    return [
      make(
        "div",
        { class: "row", role: "group", "aria-label": "Hear" },
        button("Hear it", () => this.pair(null), "H"),
        point.neighbour &&
          button(`then ${point.neighbour}, nearest clear`, () => this.pair("neighbour"), "N"),
        point.typical && button(`then ${point.typical}, most typical`, () => this.pair("typical"), "T"),
      ),
      make("p", { class: "quiet" }, "Every tap is brought to the same peak."),
      this.heard,
    ];
  }

  numbersAndMarks(point, gate_mm) {
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

const oneIn = (p) =>
  p > 0.5 ? "1 or 2" : p < 1e-6 ? "more than a million" : Math.round(1 / p).toLocaleString("en-GB");

/** Set a mark on a block of points, written into the plan. */
export async function mark(zone, block, kind) {
  await trying(async () => {
    await tell("/api/marks", { version: desk.plan.version, zone, points: block, mark: kind });
    await desk.readState();
  });
}

/** Write the note at a point. */
export async function note(point, text, was) {
  await trying(async () => {
    await tell("/api/notes", { point, note: text, was });
    document.activeElement?.blur(); // it is written: the row may be made anew
    await desk.readState();
  });
}
