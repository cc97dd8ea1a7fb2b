// What is drawn at each point of a zone: the class of its cell, and its signs.

import { desk } from "./desk.js";
import { placeOf } from "./surface.js";

/** The layer that colours the map; none before the zone is analysed. */
export function layerOf({ document: found, layer, slice }) {
  return slice ?? found?.layers[layer];
}

/** What the map asks of every point, numbered from 0 station by station. */
export function painted(look) {
  const { zone, document: found, method } = look;
  const names = desk.plan.statuses;
  const [skip, reference, read] = [new Set(zone.skip), new Set(zone.reference), new Set(zone.read[method])];
  const notes = new Set(
    Object.keys(desk.plan.notes)
      .filter((name) => name.startsWith(`${zone.code}-`))
      .map(placeOf)
      .map(([station, position]) => station * zone.positions + position),
  );
  const layer = layerOf(look);
  const kindOf = (i) => {
    // A mark that was set just now shows before the next analysis.
    if (skip.has(i)) return "skipped";
    if (!found) return read.has(i) ? "waiting" : "unread";
    const status = names[found.status[i]];
    if (status === "unread" || status === "skipped") return "unread";
    return layer.steps[i] < 0 ? "none" : `${layer.ramp}-${layer.steps[i]}`;
  };
  const signsOf = (i) => [
    ...(found && names[found.status[i]] === "suspect" && !skip.has(i) ? ["suspect"] : []),
    ...(reference.has(i) ? ["reference"] : []),
    ...(notes.has(i) ? ["note"] : []),
  ];
  return { kindOf, signsOf, indications: found?.indications ?? [] };
}
