// From the microphone to the desk: the browser's own cleaning of speech is turned off, since it eats taps.

import { Fault } from "./desk.js";
import { openLine } from "./line.js";

// No sampleRate: whoever asks for one is given a stream that was resampled.
const PLAIN = {
  echoCancellation: false,
  noiseSuppression: false,
  autoGainControl: false,
  voiceIsolation: false,
  channelCount: 1,
};
const MOST_WAITING = 1 << 20; // bytes on their way; beyond, the desk is not keeping up

/** The microphones of this device; their names are known once one has been allowed. */
export async function microphones() {
  const devices = (await navigator.mediaDevices?.enumerateDevices()) ?? [];
  return devices.filter((device) => device.kind === "audioinput");
}

async function stream(deviceId) {
  if (!navigator.mediaDevices) {
    throw new Fault(
      "The browser lends its microphone to encrypted pages only: start the desk with --listen, open it at 127.0.0.1, or use tapscan capture.",
    );
  }
  try {
    return await navigator.mediaDevices.getUserMedia({
      audio: { ...PLAIN, ...(deviceId && { deviceId: { exact: deviceId } }) },
    });
  } catch (error) {
    const why =
      { NotAllowedError: "it was not allowed", NotFoundError: "there is none" }[error.name] ?? error.message;
    throw new Fault(`No microphone: ${why} (plug one in and allow it for this page, then start again).`);
  }
}

const CLEANING = {
  echoCancellation: "echo cancelling",
  noiseSuppression: "noise suppression",
  autoGainControl: "gain control",
  voiceIsolation: "voice isolation",
};

/** What the browser does to the sound all the same, in a sentence; "" when it leaves the sound alone. */
export function alteration(settings, rate) {
  const done = Object.keys(CLEANING)
    .filter((key) => settings[key])
    .map((key) => CLEANING[key]);
  if (settings.sampleRate && settings.sampleRate !== rate) {
    done.push(`resampled from ${settings.sampleRate} to ${rate} Hz`);
  }
  return done.length > 0
    ? `The browser changes the sound (${done.join(", ")}): readings may be wrong. Try another browser.`
    : "";
}

/** A context at the microphone's own rate, so that nothing is resampled; at the default one where the browser gives none. */
function contextAt(rate) {
  let context;
  try {
    context = new AudioContext(rate ? { sampleRate: rate } : {});
  } catch {
    context = new AudioContext(); // a rate that this browser does not offer
  }
  if (context.state === "suspended") context.resume();
  return context;
}

/** Begin to listen; `onevent` gets what the desk reports, `onend` is called once when it is over. */
export async function listenHere({ deviceId, walk, onevent, onend }) {
  const media = await stream(deviceId);
  const settings = media.getAudioTracks()[0].getSettings();
  const context = contextAt(settings.sampleRate);
  await context.audioWorklet.addModule("/page/worklet.js");
  const source = new MediaStreamAudioSourceNode(context, { mediaStream: media });
  const node = new AudioWorkletNode(context, "gather", {
    numberOfOutputs: 0,
    channelCount: 1,
    channelCountMode: "explicit",
    channelInterpretation: "discrete",
  });
  const line = openLine({
    // The rate is the context's own: it is what the blocks come at, whatever the microphone was asked for.
    first: { ...walk, sample_rate_hz: context.sampleRate },
    onopen: () => source.connect(node),
    onevent,
    onend: () => {
      source.disconnect();
      for (const track of media.getTracks()) track.stop();
      context.close();
      onend();
    },
  });
  const lose = (words) => {
    line.order("interrupt");
    onevent({ event: "warned", sentence: words });
  };
  media.getAudioTracks()[0].addEventListener("ended", () => {
    onevent({
      event: "warned",
      sentence: "The microphone was disconnected; every counted tap is saved. Plug it in and start again.",
    });
    line.end();
  });
  node.port.onmessage = ({ data }) => {
    if (data === "lost")
      lose("Some sound was lost; strike again if the last tap was not counted.");
    else if (line.waiting > MOST_WAITING) lose("This computer is too busy to follow; wait a moment.");
    else line.send(data);
  };
  const altered = alteration(settings, context.sampleRate);
  if (altered) onevent({ event: "warned", sentence: altered });
  return line;
}
