// Files dropped on the page: recordings, traces and volumes named by their point or zone, added as they are.

import { Fault, desk, post, telling } from "./desk.js";
import { make } from "./dom.js";

export function dropPlace() {
  const list = make("ul", { class: "taps", "aria-live": "polite" });
  const take = async (files) => {
    for (const file of files) {
      const line = make("li", {}, `${file.name} …`);
      list.prepend(line);
      try {
        const answer = await post(`/api/files?name=${encodeURIComponent(file.name)}`, file);
        line.textContent = `✓ ${answer.written.join(", ")}`;
      } catch (error) {
        if (!(error instanceof Fault)) throw error;
        line.textContent = `✗ ${error.message}`;
        line.classList.add("bad");
      }
    }
    await telling(() => desk.readState());
  };
  const input = make("input", {
    type: "file",
    multiple: true,
    accept: ".wav,.flac,.m4a,.mp4,.mov,.3gp,.aac,.mp3,.ogg,.opus,.csv,.npy",
    onchange: (event) => take([...event.target.files]),
  });
  const place = make(
    "div",
    { class: "drop" },
    make(
      "label",
      {},
      "Drop recordings or A-scans here, named by point or zone (BM-07-05.wav, BM.npy), or choose files: ",
      input,
    ),
    list,
  );
  place.addEventListener("dragover", (event) => event.preventDefault());
  place.addEventListener("drop", (event) => {
    event.preventDefault();
    take([...event.dataTransfer.files]);
  });
  return place;
}
