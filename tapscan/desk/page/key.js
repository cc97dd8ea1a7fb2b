// What the signs and colours of the map mean.

import { desk } from "./desk.js";
import { draw, make } from "./dom.js";

const STEPS = 24;

/** The key below a map, for the layer that colours it; without one, for a zone that is not analysed yet. */
export function mapKey(layer) {
  const signs = desk.plan.signs;
  const entry = (sign, words) =>
    make("li", {}, make("span", { class: "sign-text", "aria-hidden": "true" }, sign), ` ${words}`);
  return make(
    "div",
    { class: "map-key" },
    make(
      "ul",
      {},
      layer && entry(signs.suspect, "suspect"),
      entry(signs.unread, layer ? "hatched: unread, not known" : "hatched: no reading yet"),
      entry(signs.skipped, "empty: skipped on purpose"),
      entry("○", "known good (baseline)"),
      entry("◥", "has a note"),
      layer &&
        make(
          "li",
          {},
          make("span", { class: "swatch-outline", "aria-hidden": "true" }),
          " outline and number: indication",
        ),
    ),
    layer && rampBar(layer),
  );
}

function rampBar(layer) {
  const step = (i) => (layer.is_strong_first ? STEPS - 1 - i : i);
  const bars = Array.from({ length: STEPS }, (_, i) =>
    draw("rect", { class: `${layer.ramp}-${step(i)}`, x: i * 8, y: 0, width: 8.5, height: 12 }),
  );
  const number = (value) => String(Number(value.toPrecision(3))).replace("-", "−");
  return make(
    "p",
    { class: "ramp" },
    `${number(layer.low)} `,
    draw("svg", { width: STEPS * 8, height: 12, "aria-hidden": "true" }, bars),
    ` ${number(layer.high)}`,
    make("span", {}, `${layer.title}: ${layer.label}`),
  );
}
