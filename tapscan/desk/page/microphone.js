// From the microphone to the desk: the browser's own cleaning of speech is turned off, since it eats taps.

import { Fault } from "./desk.js";
import { sound } from "./hear.js";
import { openLine } from "./line.js";

const PLAIN = { echoCancellation: false, noiseSuppression: false, autoGainControl: false, channelCount: 1 };
const MOST_WAITING = 1 << 20; // bytes on their way; beyond, the desk is not keeping up

/** The microphones of this device; their names are known once one has been allowed. */
export async function microphones() {
  const devices = (await navigator.mediaDevices?.enumerateDevices()) ?? [];
  return devices.filter((device) => device.kind === "audioinput");
}

async function stream(deviceId) {
  if (!navigator.mediaDevices) {
    throw new Fault(
      "The browser lends its microphone only to pages on this computer: open the desk at 127.0.0.1, or use tapscan capture.",
    );
  }
  try {
    return await navigator.mediaDevices.getUserMedia({
      audio: { ...PLAIN, ...(deviceId && { deviceId: { exact: deviceId } }) },
    });
  } catch (error) {
    const why =
      { NotAllowedError: "it was not allowed", NotFoundError: "there is none" }[error.name] ?? error.message;
    throw new Fault(`No microphone: ${why} (plug one in and allow it for this address, then begin again).`);
  }
}

/** Which kinds of cleaning the browser does all the same, in words; "" when it leaves the sound alone. */
function cleaning(track) {
  const settings = track.getSettings();
  const names = {
    echoCancellation: "echo cancelling",
    noiseSuppression: "noise suppression",
    autoGainControl: "gain control",
  };
  return Object.keys(names)
    .filter((key) => settings[key])
    .map((key) => names[key])
    .join(", ");
}

/** Begin to listen; `onevent` gets what the desk tells, `onend` is called once when it is over. */
export async function listenHere({ deviceId, walk, onevent, onend }) {
  const media = await stream(deviceId);
  const context = sound();
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
      sentence: "The microphone is gone; every tap that was told is kept. Plug it in and begin again.",
    });
    line.end();
  });
  node.port.onmessage = ({ data }) => {
    if (data === "lost")
      lose("Some sound was lost on the way; strike the last tap again if it was not counted.");
    else if (line.waiting > MOST_WAITING) lose("The desk does not keep up with the sound; wait a moment.");
    else line.send(data);
  };
  const cleaned = cleaning(media.getAudioTracks()[0]);
  if (cleaned)
    onevent({
      event: "warned",
      sentence: `The browser alters the sound all the same (${cleaned}): taps may come out changed. Try another browser.`,
    });
  return line;
}
