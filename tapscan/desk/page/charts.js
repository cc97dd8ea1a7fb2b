// Line charts in SVG, drawn from numbers; every chart says in words what it shows.

import { draw, make } from "./dom.js";

const LEFT = 54,
  RIGHT = 10,
  TOP = 12,
  BOTTOM = 38,
  LETTER = 7.3; // width of a letter of 13 px, on average, and a little more

/** Width of a chart in its own units: never wider than its place, so that its text does not shrink. */
export const chartWidth = () => Math.min(460, document.documentElement.clientWidth - 40);

/** Round numbers from low to high, at most about `most` of them. */
export function ticksOf(low, high, most = 6) {
  const rough = (high - low) / most;
  const unit = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map((n) => n * unit).find((one) => one >= rough) ?? rough;
  const ticks = [];
  for (let tick = Math.ceil(low / step - 1e-9) * step; tick <= high + 1e-9 * step; tick += step)
    ticks.push(tick);
  return ticks.map((tick) => Number(tick.toPrecision(6)));
}

/** The smallest and largest finite value of some lists, widened a little. */
export function spanOf(...lists) {
  const finite = lists.flat().filter((value) => value !== null && Number.isFinite(value));
  if (finite.length === 0) return [0, 1];
  const [low, high] = [Math.min(...finite), Math.max(...finite)];
  const room = 0.06 * (high - low || 1);
  return [low - room, high + room];
}

/**
 * Draw a chart. `x` and `y` are { span, ticks, name, text?, isLog? }; `bands` are { xs, lows, highs, class },
 * `lines` { xs, ys, class, name }, `marks` { x, name } upright lines, `gate` [from, to] a shaded stretch of x.
 */
export function chart({ x, y, bands = [], lines = [], marks = [], gate = null, words, height = 190 }) {
  const width = chartWidth();
  const along = axis(x, LEFT, width - RIGHT);
  const up = axis(y, height - BOTTOM, TOP);
  const svg = draw("svg", {
    class: "chart",
    viewBox: `0 0 ${width} ${height}`,
    role: "img",
    "aria-label": words,
  });
  if (gate) {
    const [from, to] = gate.map((at) => Math.min(Math.max(along(at), LEFT), width - RIGHT));
    svg.append(
      draw("rect", {
        class: "gate",
        x: from,
        y: TOP,
        width: Math.max(to - from, 1),
        height: height - BOTTOM - TOP,
      }),
    );
  }
  svg.append(...frame(x, y, along, up, [width, height]));
  for (const band of bands) svg.append(draw("path", { class: band.class, d: bandPath(band, along, up) }));
  for (const line of lines)
    svg.append(draw("path", { class: `line ${line.class}`, d: path(line.xs, line.ys, along, up) }));
  marks.forEach((mark, row) => {
    const at = along(mark.x);
    const long = LETTER * mark.name.length;
    const isRight = at + 3 + long > width && at > width / 2;
    svg.append(
      draw("path", { class: "mark", d: `M${at} ${height - BOTTOM}V${TOP + 6}` }),
      draw(
        "text",
        { class: `mark-text ${isRight ? "end" : ""}`, x: isRight ? at - 3 : Math.min(at + 3, width - long), y: TOP + 10 + 15 * row },
        mark.name,
      ),
    );
  });
  const key = lines
    .filter((line) => line.name)
    .map((line) =>
      make("li", { class: line.class }, make("span", { class: "swatch", "aria-hidden": "true" }), line.name),
    );
  return make("div", { class: "chart-box" }, svg, key.length > 0 && make("ul", { class: "chart-key" }, key));
}

function axis({ span: [low, high], isLog }, from, to) {
  const place = isLog ? Math.log : (value) => value;
  return (value) => from + ((place(value) - place(low)) / (place(high) - place(low))) * (to - from);
}

function frame(x, y, along, up, [width, height]) {
  const text = (value) => String(value).replace("-", "−");
  const name = (axis, value) => (axis.text ? axis.text(value) : text(value));
  return [
    ...y.ticks.map((tick) => draw("path", { class: "rule", d: `M${LEFT} ${up(tick)}H${width - RIGHT}` })),
    ...y.ticks.map((tick) =>
      draw("text", { class: "tick end", x: LEFT - 5, y: up(tick) + 4 }, name(y, tick)),
    ),
    ...x.ticks.map((tick) =>
      draw("text", { class: "tick middle", x: along(tick), y: height - BOTTOM + 15 }, name(x, tick)),
    ),
    draw("text", { class: "tick middle", x: (LEFT + width - RIGHT) / 2, y: height - 4 }, x.name),
    draw(
      "text",
      { class: "tick middle", transform: `translate(13 ${(TOP + height - BOTTOM) / 2}) rotate(-90)` },
      y.name,
    ),
  ];
}

function path(xs, ys, along, up) {
  let d = "",
    isDown = false;
  xs.forEach((x, i) => {
    const isKnown = ys[i] !== null && Number.isFinite(ys[i]);
    if (isKnown) d += `${isDown ? "L" : "M"}${along(x).toFixed(1)} ${up(ys[i]).toFixed(1)}`;
    isDown = isKnown;
  });
  return d;
}

function bandPath({ xs, lows, highs }, along, up) {
  const known = xs
    .map((x, i) => [x, lows[i], highs[i]])
    .filter(([, low, high]) => low !== null && high !== null);
  if (known.length === 0) return "";
  const there = known.map(([x, , high]) => `${along(x).toFixed(1)} ${up(high).toFixed(1)}`);
  const back = known.reverse().map(([x, low]) => `${along(x).toFixed(1)} ${up(low).toFixed(1)}`);
  return `M${[...there, ...back].join("L")}Z`;
}
