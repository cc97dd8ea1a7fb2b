// The plan as a form: part, zones with a drawing of their grid, and settings. It writes inspection.toml.

import { Fault, ask, desk, post, say, telling } from "./desk.js";
import { button, draw, make } from "./dom.js";
import { drawMap } from "./map.js";
import { Placing } from "./placing.js";
import { question } from "./question.js";

// Label of every key; what is not here is shown by its key.
const LABELS = {
  code: "Code, on the part",
  name: "Name",
  shape: "Shape",
  stations: "Stations (along)",
  positions: "Positions (around)",
  station_pitch_mm: "Between stations, mm",
  girth_mm: "Girth, mm",
  girth_start_mm: "Girth at first edge, mm",
  girth_end_mm: "Girth at last edge, mm",
  position_pitch_mm: "Between positions, mm",
  datum_side: "Side of position 1",
  reference: "Known good points",
  skip: "Skipped points",
  bonded: "Points with a bonded insert",
  mirror_of: "Mirror zone, code",
  same_points_as: "Zone that shows the same points, code",
  thickness_mm: "Wall thickness, mm",
  thickness_tolerance: "Thickness tolerance (0.1 = 10 %)",
  modulus_gpa: "Bending modulus, GPa",
  poisson: "Poisson's ratio",
  density_kg_m3: "Density, kg/m³",
  velocity_m_s: "Speed of sound, m/s",
  taps_per_point: "Taps per point",
  tapper_mass_g: "Tapper mass, g",
  tapper_radius_mm: "Tapper tip radius, mm",
  sample_rate_mhz: "Sampling rate, MHz",
  centre_frequency_mhz: "Probe frequency, MHz",
  beam_mm: "Beam width, mm",
  false_call_rate: "False-call rate (0.01 = 1 in 100)",
  owner_ref: "Owner's reference",
  serial: "Serial number",
  history: "History, where it was hit",
  inspector: "Inspector",
  date: "Date (year-month-day)",
};
const CHOICES = { shape: ["tube", "panel", "photo"], datum_side: ["", "top", "bottom", "left", "right"] };
const MAIN = [
  ...["code", "name", "shape", "stations", "positions", "station_pitch_mm", "girth_mm", "position_pitch_mm"],
  ...["reference", "skip"],
];
const ONLY = {
  tube: ["girth_mm", "girth_start_mm", "girth_end_mm", "datum_side"],
  panel: ["position_pitch_mm"],
};
const GRID = ["stations", "positions", "station_pitch_mm"]; // of every shape but a photo, whose points are placed
const TITLES = {
  laminate: "Laminate, for every zone",
  tap: "Tap test",
  ascan: "A-scan",
  analysis: "Analysis",
};
const LARGEST_DRAWN = 20_000; // points; a larger zone is not drawn while somebody types

export class PlanForm {
  zones = []; // { was, box, place, read() }

  constructor(place) {
    this.place = place;
    this.answer = make("p", { class: "answer", role: "status" });
    this.form = make("form", { class: "plan", novalidate: true, onsubmit: (event) => this.save(event) });
    place.append(this.form);
  }

  /** Whether the form holds something that is not in the file. */
  get isTouched() {
    return this.version !== undefined && JSON.stringify(this.tables) !== this.filled;
  }

  async show() {
    const found = await telling(() => ask("/api/plan-form"));
    // What somebody is filling in stays; it is checked against the file when it is saved.
    if (found && !this.isTouched) this.fill(found);
    if (!this.placing) {
      const written = async () => this.fill(await ask("/api/plan-form"));
      this.placing = new Placing({ mayWrite: () => !this.isTouched, written });
      this.place.append(this.placing.place);
    }
    await telling(() => this.placing.show());
  }

  fill({ version, keys, hints, tables, mistakes }) {
    Object.assign(this, { version, keys, hints });
    this.zones = [];
    this.zonePlace = make("div", {});
    const group = (name, open) =>
      make(
        "details",
        { open },
        make("summary", {}, TITLES[name]),
        make("div", { class: "fields" }, keys[name].map((key) => this.field(`${name}.${key}`, key, tables[name][key]))),
      );
    const settings = Object.keys(TITLES).map((name) => group(name, false));
    this.form.replaceChildren(
      make("h2", {}, "Part"),
      make("div", { class: "fields" }, keys.part.map((key) => this.field(`part.${key}`, key, tables.part[key]))),
      make("h2", {}, "Zones"),
      this.zonePlace,
      make("div", { class: "row" }, button("Add a zone", () => this.addZone({ was: "", shape: "tube" }, true))),
      ...settings,
      make(
        "div",
        { class: "row save-row" },
        make("button", { class: "primary" }, "Save plan"),
        button("Discard changes", () => this.discard()),
        this.answer,
      ),
    );
    for (const zone of tables.zone) this.addZone(zone, false);
    if (tables.zone.length === 0) this.addZone({ was: "", shape: "tube" }, false);
    this.filled = JSON.stringify(this.tables);
    this.showMistakes(mistakes);
  }

  async discard() {
    if (this.isTouched && !(await question(["Discard all changes in this form?"], "Discard"))) return;
    this.reply("", "");
    this.fill(await ask("/api/plan-form"));
  }

  /** A labelled field with its hint, and room for what is wrong with it right below. */
  field(path, key, value = "") {
    const id = `plan-${path.replaceAll(".", "-")}`;
    const wrong = make("span", { class: "wrong", id: `${id}-wrong` });
    const given = { name: path, "aria-describedby": wrong.id, title: this.hints[key] };
    const input = CHOICES[key]
      ? make(
          "select",
          given,
          CHOICES[key].map((one) => make("option", { value: one, selected: one === value }, one || "not given")),
        )
      : make("input", { ...given, value, maxlength: 2000 });
    return make("label", { "data-key": key }, LABELS[key] ?? key, input, wrong);
  }

  addZone(values, isNew) {
    const at = this.zones.length;
    const path = (key) => `zone.${at}.${key}`;
    const rest = this.keys.zone.filter((key) => !MAIN.includes(key));
    const flat = draw("svg", { "aria-hidden": "true" });
    const round = draw("svg", { "aria-hidden": "true" });
    const drawing = make("div", { class: "plan-drawing", role: "img" }, flat, round);
    const box = make(
      "fieldset",
      { class: "plan-zone" },
      make("legend", {}, values.code ? `Zone ${values.code}` : "New zone"),
      make(
        "div",
        { class: "plan-zone-parts" },
        make(
          "div",
          {},
          make("div", { class: "fields" }, MAIN.map((key) => this.field(path(key), key, values[key]))),
          make(
            "details",
            {},
            make("summary", {}, "More: taper, insert, mirror zone, own laminate"),
            make("div", { class: "fields" }, rest.map((key) => this.field(path(key), key, values[key]))),
          ),
          make(
            "div",
            { class: "on-photo", hidden: true },
            button("Place its points on a photo", () => this.placePoints(zone)),
            make("p", { class: "wrong" }),
          ),
          make("div", { class: "row" }, button("Remove this zone", () => this.removeZone(zone))),
        ),
        drawing,
      ),
    );
    const zone = { was: values.was, box, drawing, flat, round, at };
    this.zones.push(zone);
    this.zonePlace.append(box);
    box.addEventListener("input", () => this.drawZone(zone));
    this.drawZone(zone);
    if (isNew) box.querySelector("input").focus();
  }

  /** Go on with a zone on its photo; what was typed of it here goes along. */
  async placePoints(zone) {
    const { code, name } = this.read(zone);
    for (const input of zone.box.querySelectorAll("input")) input.value = input.defaultValue;
    for (const option of zone.box.querySelectorAll("option")) option.selected = option.defaultSelected;
    this.drawZone(zone);
    if (zone.was === "") {
      zone.box.remove();
      zone.isRemoved = true;
    }
    await this.placing.begin(zone.was, code, name);
  }

  async removeZone(zone) {
    const code = this.read(zone).code || "this zone";
    if (!(await question([`Remove zone ${code} from the plan? Its readings stay in the folder.`], "Remove"))) return;
    zone.box.remove();
    zone.isRemoved = true;
  }

  /** What the fields of a zone hold, by key. */
  read(zone) {
    const fields = [...zone.box.querySelectorAll("label[data-key]")];
    return Object.fromEntries(fields.map((label) => [label.dataset.key, label.querySelector("input, select").value]));
  }

  /** Draw the grid as it is being typed, unrolled and round. */
  drawZone(zone) {
    const values = this.read(zone);
    for (const [shape, keys] of Object.entries(ONLY)) {
      for (const key of keys) zone.box.querySelector(`[data-key=${key}]`).hidden = shape !== values.shape;
    }
    const isOnPhoto = values.shape === "photo";
    for (const key of GRID) zone.box.querySelector(`[data-key=${key}]`).hidden = isOnPhoto;
    zone.box.querySelector(".on-photo").hidden = !isOnPhoto;
    const geometry = geometryOf(values);
    zone.drawing.hidden = geometry === null;
    if (geometry === null || this.place.clientWidth < 100) return;
    const [skip, reference] = [pointsOf(values.skip, geometry), pointsOf(values.reference, geometry)];
    const look = {
      kindOf: (i) => (skip.has(i) ? "skipped" : "todo"),
      signsOf: (i) => (reference.has(i) ? ["reference"] : []),
      indications: [],
      facing: 0,
    };
    const width = Math.min(420, this.place.clientWidth - 40);
    drawMap(zone.flat, geometry, look, width);
    zone.round.toggleAttribute("hidden", geometry.shape !== "tube");
    if (geometry.shape === "tube") drawMap(zone.round, geometry, { ...look, isRound: true }, width);
    const size = `${geometry.stations} stations by ${geometry.positions} positions`;
    zone.drawing.setAttribute("aria-label", `Grid of the zone, ${size}: ${skip.size} skipped, ${reference.size} known good`);
  }

  /** Everything in the form, as the desk takes it. */
  get tables() {
    const tables = { zone: [] };
    for (const name of ["part", ...Object.keys(TITLES)]) {
      tables[name] = Object.fromEntries(
        this.keys[name].map((key) => [key, this.form.elements[`${name}.${key}`].value]),
      );
    }
    for (const zone of this.zones.filter((one) => !one.isRemoved)) {
      const values = this.read(zone);
      const others = Object.keys(ONLY).filter((shape) => shape !== values.shape);
      for (const key of others.flatMap((shape) => ONLY[shape])) values[key] = "";
      if (values.shape === "photo") for (const key of GRID) values[key] = "";
      tables.zone.push({ ...values, was: zone.was });
    }
    return tables;
  }

  async save(event) {
    event.preventDefault();
    say("");
    this.reply("", "");
    this.showMistakes([]);
    try {
      await post("/api/plan-form", { version: this.version, tables: this.tables });
      await desk.readState();
      this.fill(await ask("/api/plan-form"));
      this.reply("", "Plan saved. Print the grid from Reports, then collect.");
    } catch (error) {
      if (!(error instanceof Fault)) throw error;
      const { mistakes } = error;
      this.showMistakes(mistakes);
      const count = mistakes.length === 1 ? "1 mistake" : `${mistakes.length} mistakes`;
      this.reply("bad", mistakes[0]?.path ? `Not saved: ${count}, marked beside the fields.` : `Not saved: ${error.message}`);
      this.form.querySelector("[aria-invalid]")?.focus();
    }
  }

  reply(kind, words) {
    this.answer.className = `answer ${kind}`;
    this.answer.textContent = words;
    this.answer.scrollIntoView({ block: "nearest" });
  }

  /** Put every mistake beside its field; one without a field goes to the foot of the form. */
  showMistakes(mistakes) {
    for (const input of this.form.querySelectorAll("[aria-invalid]")) input.removeAttribute("aria-invalid");
    for (const wrong of this.form.querySelectorAll(".wrong")) wrong.textContent = "";
    const kept = this.zones.filter((one) => !one.isRemoved);
    const rest = [];
    for (const { path, words } of mistakes) {
      const [table, number, key] = path.split(".");
      const name = table === "zone" && kept[number] ? `zone.${kept[number].at}.${key}` : path;
      const input = this.form.elements[name];
      const photo = table === "zone" && kept[number]?.box.querySelector(".on-photo:not([hidden]) .wrong");
      if (!input && photo) {
        photo.textContent ||= words;
        continue;
      }
      if (!input) {
        rest.push(words);
        continue;
      }
      input.setAttribute("aria-invalid", "true");
      input.closest("details")?.setAttribute("open", "");
      const hint = this.hints[name.split(".").at(-1)];
      const isEmpty = input.value === "" && hint;
      input.parentElement.querySelector(".wrong").textContent = isEmpty ? `Fill in: ${hint}` : words;
    }
    // Without mistakes the answer stays: a form that is read again after saving still says that it was saved.
    if (rest.length > 0) this.reply("bad", rest.join(" "));
  }
}

const number = (text) => Number(String(text).replace(",", "."));

/** A zone to be drawn, from what is typed; null while it cannot be drawn yet. */
function geometryOf(values) {
  const [stations, positions] = [number(values.stations), number(values.positions)];
  const girth = number(values.girth_mm);
  const geometry = {
    shape: values.shape,
    stations,
    positions,
    station_pitch_mm: number(values.station_pitch_mm),
    girth_start_mm: girth || number(values.girth_start_mm),
    girth_end_mm: girth || number(values.girth_end_mm),
    position_pitch_mm: number(values.position_pitch_mm),
  };
  const needed =
    values.shape === "tube"
      ? [geometry.girth_start_mm, geometry.girth_end_mm]
      : [geometry.position_pitch_mm];
  const isWhole = Number.isInteger(stations) && Number.isInteger(positions) && stations * positions <= LARGEST_DRAWN;
  const isReady = isWhole && [stations, positions, geometry.station_pitch_mm, ...needed].every((one) => one > 0);
  return isReady ? geometry : null;
}

/** The points, numbered from 0 station by station, of blocks such as 01-01:06-12; what is no block is left out. */
function pointsOf(text, { stations, positions }) {
  const points = new Set();
  for (const block of text.split(/[\s,]+/)) {
    const found = /^(?:[A-Z0-9]+-)?(\d+)-(\d+)(?::(\d+)-(\d+))?$/.exec(block);
    if (!found) continue;
    const [a, p, b = a, q = p] = found.slice(1).map((one) => (one === undefined ? undefined : Number(one)));
    const across = (((q - p) % positions) + positions) % positions;
    for (let station = a; station <= Math.min(b, stations); station += 1) {
      for (let step = 0; step <= across; step += 1) {
        points.add((station - 1) * positions + ((p - 1 + step) % positions));
      }
    }
  }
  return points;
}
