// Short, soft tones for hands that are busy and eyes that are elsewhere. Which notes, and how long, the desk says.

import { sound } from "./hear.js";

const LOUDNESS = 0.06;
// They swell and fade slowly, so that one that the microphone hears is not taken for a tap.
const SWELL = Float32Array.from({ length: 129 }, (_, i) => LOUDNESS * Math.sin((Math.PI * i) / 128) ** 4);

/** Sound a cue, its notes one after the other. */
export function cue({ notes_hz: notes, note_s: length }) {
  const context = sound();
  notes.forEach((frequency, i) => {
    const start = context.currentTime + i * length;
    const gain = new GainNode(context, { gain: 0 });
    gain.gain.setValueCurveAtTime(SWELL, start, length);
    const tone = new OscillatorNode(context, { frequency });
    tone.connect(gain).connect(context.destination);
    tone.start(start);
    tone.stop(start + length);
  });
}
