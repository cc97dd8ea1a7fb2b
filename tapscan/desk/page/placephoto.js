// The photo of a zone: taken, chosen, shown, and the place where it was taken taken out of its file.

import { ask, desk, post } from "./desk.js";
import { button, make } from "./dom.js";

const file = (photo) => encodeURIComponent(photo.slice("photos/".length));

export class PlacePhoto {
  facts = null; // of the photo that is shown: its size, its digest, whether it says where it was taken

  /** `owner` has the `draft`, its `view` and what the desk `found`; it can `change` the draft and `show` itself. */
  constructor(owner) {
    this.owner = owner;
    this.list = make("select", { onchange: () => owner.attempt(() => this.choose(this.list.value)) });
    this.warning = make("div", {});
    const pick = (words, more) => {
      const input = { type: "file", accept: "image/jpeg,image/png", ...more };
      return make("label", {}, words, make("input", { ...input, onchange: (event) => this.upload(event.target) }));
    };
    const take = pick("Take a photo", { capture: "environment" });
    this.fields = make("div", { class: "row" }, make("label", {}, "Photo", this.list), take, pick("Choose a photo", {}));
  }

  fill() {
    const { photos } = this.owner.found;
    const { photo } = this.owner.draft;
    const option = (value, words) => make("option", { value }, words);
    const none = photos.length > 0 ? "Choose" : "No photo yet: take or choose one";
    this.list.replaceChildren(option("", none), ...photos.map((one) => option(one, one.slice("photos/".length))));
    this.list.value = photos.includes(photo) ? photo : "";
  }

  /** Show the draft's photo; false when it has none. */
  async show() {
    const { draft, found, view } = this.owner;
    const isThere = found.photos.includes(draft.photo);
    this.warning.replaceChildren();
    this.facts = isThere ? await ask(`/api/photo-zones/photos/${file(draft.photo)}`) : null;
    if (!isThere) return false;
    view.show(`/cut-photos/${file(draft.photo)}`, this.facts.width, this.facts.height, 0);
    if (this.facts.has_place) {
      this.warning.replaceChildren(
        make("p", { class: "stale" }, "The photo says where it was taken, which may be the customer's address."),
        button("Take the place out of the file", () => this.owner.attempt(() => this.withoutPlace())),
      );
    }
    return true;
  }

  async withoutPlace() {
    const { draft } = this.owner;
    const { sha256 } = await post(`/api/photo-zones/photos/${file(draft.photo)}/place`);
    if (draft.photo_sha256 === this.facts.sha256) this.owner.change({ photo_sha256: sha256 });
    await desk.readState();
    await this.owner.show();
    await this.show();
  }

  async choose(photo) {
    if (photo === "") return;
    const { sha256 } = await ask(`/api/photo-zones/photos/${file(photo)}`);
    this.owner.change({ photo, photo_sha256: sha256 });
    await this.owner.showPhoto();
    const { draft } = this.owner;
    if (!draft.scale && !draft.square) this.owner.choose("length", false);
  }

  upload(input) {
    const [picture] = input.files;
    if (!picture) return;
    this.owner.attempt(async () => {
      const { photo } = await post(`/api/photos?name=${encodeURIComponent(picture.name)}`, picture);
      await this.owner.show();
      await this.choose(photo);
      this.fill();
    });
    input.value = "";
  }
}
