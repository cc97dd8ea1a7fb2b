// Taps to the ear: one point, or one and then another, at the same peak level.

import { Fault, trying } from "./desk.js";

const BETWEEN_S = 0.25; // from one point's last tap to the next point's first

let context = null;
let playing = [];

/** The one audio context of the page; browsers let it sound only after a key or a touch. */
export function sound() {
  context ??= new AudioContext();
  if (context.state === "suspended") context.resume();
  return context;
}

async function load(point) {
  const response = await fetch(`/sounds/${point}`);
  if (!response.ok) throw new Fault((await response.json()).fault);
  return sound().decodeAudioData(await response.arrayBuffer());
}

/** Play the taps of points one after the other; `onpoint` gets the name that plays, then null. */
export async function hear(points, onpoint = () => {}) {
  for (const source of playing) source.stop();
  const mine = [];
  playing = mine;
  // Only the sound asked for last is named.
  const tell = (point) => playing === mine && onpoint(point);
  await trying(async () => {
    const buffers = await Promise.all(points.map(load));
    if (playing !== mine) return;
    let when = sound().currentTime + 0.05;
    buffers.forEach((buffer, i) => {
      const source = new AudioBufferSourceNode(sound(), { buffer });
      source.connect(sound().destination);
      source.start(when);
      // By the clock of the sound itself: a timer's name may come when all is over.
      source.addEventListener("ended", () => tell(points[i + 1] ?? null));
      mine.push(source);
      when += buffer.duration + BETWEEN_S;
    });
    tell(points[0]);
  });
}
