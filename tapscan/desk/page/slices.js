// The B-scan along a line drawn on the map: depth downward in mm, strong signal in strong colours.

import { ticksOf } from "./charts.js";
import { ask } from "./desk.js";
import { draw, make } from "./dom.js";

const [WIDTH, HEIGHT, LEFT, TOP, BOTTOM] = [640, 260, 52, 8, 40];

/** Ask for the section between two points and draw it. */
export async function lineSection(first, last, zone) {
  const section = await ask(`/api/lines/${first}/${last}`);
  const words = `B-scan from ${first} to ${last}, ${section.traces} points`;
  return [make("h3", {}, words), sectionOf(section, words, zone)];
}

function sectionOf(section, words, zone) {
  const perUs = section.mm_per_us ?? 1;
  const [low, high] = [section.first_us * perUs, section.last_us * perUs];
  const at = (value) => TOP + ((value - low) / (high - low)) * (HEIGHT - TOP - BOTTOM);
  const unit = section.mm_per_us === null ? "time after the front surface, µs" : "depth, mm";
  const [wide, tall] = [WIDTH - LEFT - 12, HEIGHT - TOP - BOTTOM];
  const long = lengthBetween(section.first, section.last, zone);
  const across = ticksOf(0, long, 7);
  return draw(
    "svg",
    { class: "chart section", viewBox: `0 0 ${WIDTH} ${HEIGHT}`, role: "img", "aria-label": words },
    draw("image", { href: picture(section.levels), x: LEFT, y: TOP, width: wide, height: tall, preserveAspectRatio: "none" }),
    draw("path", { class: "mark", d: `M${LEFT} ${at(0)}h${wide}` }),
    ticksOf(low, high, 6).map((tick) => draw("text", { class: "tick end", x: LEFT - 6, y: at(tick) + 4 }, text(tick))),
    across.map((tick) =>
      draw("text", { class: "tick middle", x: LEFT + (long ? tick / long : 0) * wide, y: HEIGHT - BOTTOM + 16 }, text(tick)),
    ),
    draw("text", { class: "tick middle", x: LEFT + wide / 2, y: HEIGHT - 4 }, `mm along the line; the dashed line is the front surface`),
    draw("text", { class: "tick middle", transform: `translate(13 ${TOP + tall / 2}) rotate(-90)` }, unit),
  );
}

const text = (value) => String(value).replace("-", "−");

function lengthBetween(first, last, zone) {
  const [a, b] = [first, last].map((name) => name.split("-").slice(1).map(Number));
  const across = zone.position_pitch_mm ?? zone.girth_start_mm / zone.positions;
  return Math.hypot((b[0] - a[0]) * zone.station_pitch_mm, (b[1] - a[1]) * across);
}

/** The levels as a picture in the colours of the score ramp. */
function picture(levels) {
  const style = getComputedStyle(document.documentElement);
  const ramp = Array.from({ length: 24 }, (_, i) => style.getPropertyValue(`--score-${i}`).trim());
  const tint = style.getPropertyValue("--tint").trim();
  const canvas = document.createElement("canvas");
  [canvas.width, canvas.height] = [levels[0].length, levels.length];
  const context = canvas.getContext("2d");
  levels.forEach((row, y) =>
    row.forEach((level, x) => {
      context.fillStyle = level < 0 ? tint : ramp[Math.round((level / 255) * 23)];
      context.fillRect(x, y, 1, 1);
    }),
  );
  return canvas.toDataURL();
}
