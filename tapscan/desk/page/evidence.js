// The evidence at one point: spectrum over the baseline, decay and modes; A-scan and B-scan.

import { chart, chartWidth, spanOf, ticksOf } from "./charts.js";
import { draw, make } from "./dom.js";

const ROUND_HZ = [100, 200, 500, 1000, 2000, 5000, 10000, 20000];
const MOST_SPREADS = 10; // standard deviations; the chart ends there

/** The spectrum of a point's taps over the baseline, and its distance from it in standard deviations. */
export function spectrumCharts(point, spectrum) {
  const xs = spectrum.band_hz;
  const x = {
    span: [xs[0], xs.at(-1)],
    isLog: true,
    name: "frequency, kHz",
    ticks: ROUND_HZ.filter((hz) => hz >= xs[0] && hz <= xs.at(-1)),
    text: (hz) => hz / 1000,
  };
  return [levelChart(point, spectrum, x), awayChart(point, spectrum, x)];
}

function levelChart(point, spectrum, x) {
  const { band_hz: xs, reading_db: reading, expected_db: expected, spread_db: spread, twin } = spectrum;
  const moved = (spreads) =>
    expected.map((level, i) => (level === null ? null : level + spreads * spread[i]));
  const band = (times) => ({ xs, lows: moved(-times), highs: moved(times), class: `spread-${times}` });
  const levels = spanOf(reading, expected, twin?.level_db ?? []);
  // Where a like zone decided, what it sounds like there is shown as well.
  const from = twin ? `baseline from ${twin.source}` : "baseline here";
  const lines = [
    { xs, ys: expected, class: "expected", name: `${from}, ±1 and ±2 standard deviations` },
    { xs, ys: reading, class: "reading", name: point },
  ];
  if (twin) lines.unshift({ xs, ys: twin.level_db, class: "twin", name: twin.source });
  return chart({
    x,
    y: { span: levels, ticks: ticksOf(...levels, 5), name: "level in band, dB" },
    bands: [band(2), band(1)],
    lines,
    words: `Spectrum of the taps at ${point} over the spectrum ${from}.`,
  });
}

function awayChart(point, spectrum, x) {
  const { band_hz: xs, reading_db: reading, expected_db: expected, spread_db: spread } = spectrum;
  const away = reading.map((level, i) =>
    spread[i] > 0 && expected[i] !== null ? (level - expected[i]) / spread[i] : null,
  );
  const reach = Math.min(MOST_SPREADS, Math.max(3, ...away.map((one) => 1.1 * Math.abs(one ?? 0))));
  const cut = away.map((one) => (one === null ? null : Math.max(-reach, Math.min(reach, one))));
  const band = (times) => ({
    xs,
    lows: xs.map(() => -times),
    highs: xs.map(() => times),
    class: `spread-${times}`,
  });
  return chart({
    x,
    y: { span: [-reach, reach], ticks: ticksOf(-reach, reach, 4), name: "std. deviations" },
    bands: [band(2), band(1)],
    lines: [{ xs, ys: cut, class: "reading" }],
    words: `Standard deviations of the spectrum at ${point} from the baseline.`,
    height: 140,
  });
}

/** The decay of the first tap, with the line of the decay time, and its natural frequencies. */
export function decayParts(point, { duration_s, envelope_db: ys, decay_time_s, modes, file }) {
  const xs = ys.map((_, i) => (1000 * duration_s * i) / ys.length);
  const lines = [{ xs, ys, class: "reading", name: "first tap" }];
  if (decay_time_s !== null) {
    lines.push({
      xs: [0, decay_time_s * 1000],
      ys: [0, -60],
      class: "expected",
      name: `decay time ${(decay_time_s * 1000).toFixed(1)} ms (to −60 dB)`,
    });
  }
  const rows = modes.map((mode) =>
    make(
      "tr",
      {},
      make("td", {}, (mode.frequency_hz / 1000).toFixed(2)),
      make("td", {}, mode.damping_ratio.toFixed(4)),
    ),
  );
  return [
    chart({
      x: { span: [0, 1000 * duration_s], ticks: ticksOf(0, 1000 * duration_s), name: "time, ms" },
      y: { span: [-60, 3], ticks: [-60, -40, -20, 0], name: "level, dB" },
      lines,
      height: 150,
      words: `Decay of the first tap at ${point}.`,
    }),
    rows.length > 0
      ? make(
          "table",
          { class: "small" },
          make("caption", {}, "Natural frequencies in the first tap, strongest first"),
          make(
            "thead",
            {},
            make(
              "tr",
              {},
              make("th", { scope: "col" }, "frequency, kHz"),
              make("th", { scope: "col" }, "damping ratio"),
            ),
          ),
          make("tbody", {}, rows),
        )
      : make("p", { class: "quiet" }, "No natural frequency was resolved in the first tap."),
    make("p", { class: "quiet" }, `From ${file}.`),
  ];
}

/** The A-scan with its echoes and the gate of the slice, over a typical sound trace; by depth where it is known. */
export function traceChart(point, trace, gate_mm) {
  const { front_us: front, mm_per_us: perUs } = trace;
  const isDeep = perUs !== null && front !== null;
  const place = isDeep ? (us) => (us - front) * perUs : (us) => us;
  const xs = trace.reading.map((_, i) => place(trace.first_us + i * trace.step_us));
  const levels = spanOf(trace.reading, trace.typical);
  const marks = [
    ["front surface", front],
    ["echo", trace.echo_us],
    ["back wall", trace.backwall_us],
  ]
    .filter(([, at]) => at !== null)
    .map(([name, at]) => ({ x: place(at), name: `${name} ${at.toFixed(2)} µs${depthText(trace, at)}` }));
  const span = [xs[0], xs.at(-1)];
  return chart({
    x: { span, ticks: ticksOf(...span), name: isDeep ? "depth below the front surface, mm" : "time, µs" },
    y: {
      span: [levels[0], levels[1] + 0.5 * (levels[1] - levels[0])],
      ticks: ticksOf(...levels, 4),
      name: "amplitude",
    },
    lines: [
      { xs, ys: trace.typical, class: "expected", name: "a typical sound trace" },
      { xs, ys: trace.reading, class: "reading", name: point },
    ],
    marks,
    gate: isDeep ? gate_mm : null,
    height: 210,
    words: `A-scan at ${point}: ${marks.map((mark) => mark.name).join(", ") || "no echo found"}.`,
  });
}

function depthText(trace, at) {
  if (trace.mm_per_us === null || trace.front_us === null || at <= trace.front_us) return "";
  return `, ${((at - trace.front_us) * trace.mm_per_us).toFixed(2)} mm deep`;
}

/** A B-scan: time downward, strong signal in the ramp's strong colours. Runs of one colour are one path. */
export function sectionChart(section, words) {
  const rows = section.levels,
    across = rows[0].length,
    width = chartWidth(),
    height = 176,
    left = 54,
    top = 6;
  const [dx, dy] = [(width - left - 10) / across, (height - top - 34) / rows.length];
  const paths = new Map();
  rows.forEach((row, j) => {
    let start = 0;
    for (let i = 1; i <= across; i += 1) {
      if (i < across && stepOf(row[i]) === stepOf(row[start])) continue;
      const d = `M${(left + start * dx).toFixed(1)} ${(top + j * dy).toFixed(1)}h${((i - start) * dx).toFixed(1)}v${(dy + 0.3).toFixed(1)}h${(-(i - start) * dx).toFixed(1)}Z`;
      const kind = stepOf(row[start]);
      paths.set(kind, (paths.get(kind) ?? "") + d);
      start = i;
    }
  });
  const here = left + ((section.here + 0.5) / section.traces) * (width - left - 10);
  const ticks = ticksOf(section.first_us, section.last_us, 5);
  const at = (us) =>
    top + ((us - section.first_us) / (section.last_us - section.first_us)) * (height - top - 34);
  return draw(
    "svg",
    { class: "chart", viewBox: `0 0 ${width} ${height}`, role: "img", "aria-label": words },
    [...paths].map(([kind, d]) => draw("path", { class: kind, d })),
    draw("path", { class: "mark", d: `M${here} ${top}V${height - 34}` }),
    ticks.map((us) => draw("text", { class: "tick end", x: left - 5, y: at(us) + 4 }, us)),
    draw(
      "text",
      { class: "tick middle", x: (left + width) / 2, y: height - 6 },
      `${section.along}s 1 to ${section.traces}; the line is this point`,
    ),
    draw(
      "text",
      { class: "tick middle", transform: `translate(13 ${(top + height - 34) / 2}) rotate(-90)` },
      "time, µs",
    ),
  );
}

const stepOf = (level) => (level < 0 ? "none" : `score-${Math.round((level / 255) * 23)}`);
