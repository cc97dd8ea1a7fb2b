// Short, soft tones for hands that are busy and eyes that are elsewhere. The microphone hears them too, so they
// are kept under a tenth of a second, and below where a tap rings.

import { sound } from "./hear.js";

// Notes as [hertz, start in seconds]; going up is good, going down is not.
const TONES = {
  accepted: [[660, 0]],
  "point complete": [
    [660, 0],
    [990, 0.05],
  ],
  "zone complete": [
    [660, 0],
    [825, 0.12],
    [990, 0.24],
  ],
  rejected: [
    [330, 0],
    [220, 0.05],
  ],
};
const LENGTH_S = 0.045,
  LOUDNESS = 0.06;
// They swell and fade slowly, so that one that the microphone hears is not taken for a tap.
const SWELL = Float32Array.from({ length: 65 }, (_, i) => LOUDNESS * Math.sin((Math.PI * i) / 64) ** 4);

/** Sound the cue of an event; events without one are silent. */
export function cue(event) {
  const context = sound();
  for (const [hertz, after] of TONES[event] ?? []) {
    const start = context.currentTime + after;
    const gain = new GainNode(context, { gain: 0 });
    gain.gain.setValueCurveAtTime(SWELL, start, LENGTH_S);
    const tone = new OscillatorNode(context, { frequency: hertz });
    tone.connect(gain).connect(context.destination);
    tone.start(start);
    tone.stop(start + LENGTH_S);
  }
}
