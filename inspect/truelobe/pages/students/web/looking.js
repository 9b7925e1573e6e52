// The lesson, the team's gallery and measuring by hand, as students see them.
import { fill, h } from "./placing.js";

class Room {
  constructor(root, ask, whenDone) {
    Object.assign(this, { root, ask, whenDone, problem: "" });
  }

  async load(task) {
    this.problem = "";
    try {
      await task();
    } catch (error) {
      this.problem = error.told ? `${error.told.text} ${error.told.what_to_do}` : "No answer. Try again in a moment.";
    }
    this.draw();
  }

  close() {}

  says() {
    return this.problem ? h("p", { class: "tl-says", role: "alert" }, this.problem) : null;
  }

  back(words = "Back", onclick = this.whenDone) {
    return h("div", { class: "tl-row" }, h("button", { type: "button", onclick }, words));
  }
}

export class Lesson extends Room {
  colour = 0;
  step = 4;

  open() {
    return this.load(async () => { this.told ??= await this.ask("api/lesson"); });
  }

  draw() {
    if (!this.told) return fill(this.root, this.says() ?? h("p", { class: "tl-quiet" }, "One moment."), this.back());
    const one = this.told.colours[this.colour];
    const share = h("p", { class: "tl-asks", role: "status" });
    const picture = h("img", { class: "tl-pepper", alt: "A pepper, counted skin hatched" });
    const swatch = h("p", { class: "tl-row" });
    const show = () => {
      picture.src = `lesson/${one.colour}/${this.step}`;
      share.textContent = `With the line here, ${one.shares[this.step]} of the skin seen is not fully colored.`;
      const colour = one.swatches[this.step];
      const patch = h("span", { class: "tl-patch" });
      if (colour) patch.style.backgroundColor = colour;
      swatch.replaceChildren(...(colour ? [patch, "This color lies on the line."] : ["No skin here lies on the line."]));
    };
    const slider = h("input", { id: "line", type: "range", min: "0", max: String(this.told.lines.length - 1), step: "1", value: String(this.step), oninput: (event) => { this.step = Number(event.target.value); show(); } });
    show();
    fill(this.root,
      h("h1", {}, "What counts"), this.says(),
      h("p", {}, "Skin counts as fully colored once it is nearer to the ripe color than to the green."),
      h("div", { class: "tl-calls" }, this.told.colours.map((each, k) => h("button", { type: "button", "aria-pressed": String(k === this.colour), onclick: () => { this.colour = k; this.draw(); } }, each.colour))),
      picture, h("label", { for: "line" }, "Move the line: how ripe must skin be?"), slider, share, swatch,
      h("p", { class: "tl-quiet tl-small" }, "The tool draws its line in the middle. Moving it changes the share, so say which line you use."),
      h("h2", {}, "Two rules, one pepper"), one.rules.map((words) => h("p", {}, words)),
      this.told.own.length ? [h("h2", {}, "From our own gallery"), h("p", { class: "tl-quiet tl-small" }, "Hatched: the least ripe skin by its color, as much of it as was measured."),
        this.told.own.map(([src, words]) => [h("img", { class: "tl-pepper", src, alt: "A pepper of our gallery, counted skin hatched", loading: "lazy" }), h("p", {}, `Not fully colored: ${words}.`)])] : null,
      h("h2", {}, "Five traps"), this.told.traps.map(([name, words]) => h("p", {}, h("b", {}, `${name}. `), words)),
      this.back());
  }
}

export class Gallery extends Room {
  plates = [];
  words = "";

  open() {
    return this.load(() => this.more(true));
  }

  async more(fresh) {
    const told = await this.ask(`api/gallery?words=${encodeURIComponent(this.words)}${fresh || !this.after ? "" : `&after=${encodeURIComponent(this.after)}`}`);
    this.plates = fresh ? told.plates : [...this.plates, ...told.plates];
    this.after = told.after;
  }

  draw() {
    if (this.plate) return this.drawPlate();
    const input = h("input", { id: "words", value: this.words, maxlength: "100", autocomplete: "off" });
    fill(this.root,
      h("h1", {}, "Gallery"), this.says(),
      h("form", { onsubmit: (event) => { event.preventDefault(); this.words = input.value; this.load(() => this.more(true)); } }, h("label", { for: "words" }, "Words to look for"), input),
      this.plates.length ? null : h("p", { class: "tl-quiet" }, "No plate to show. Plates of a class that is still to be placed are kept back."),
      h("div", { class: "tl-cards" }, this.plates.map((one) => h("button", { type: "button", onclick: () => this.load(async () => { this.plate = await this.ask(`api/gallery/${one.plate}`); }) },
        one.picture ? h("img", { src: one.picture, alt: "", loading: "lazy" }) : null, h("b", {}, one.title), h("span", {}, one.says)))),
      this.after ? this.back("More plates", () => this.load(() => this.more(false))) : null,
      this.back());
  }

  drawPlate() {
    const one = this.plate;
    fill(this.root,
      h("h1", {}, one.title), this.says(), h("p", {}, one.says),
      one.pictures.map((src, n) => h("img", { class: "tl-pepper", src, alt: `Photo ${n + 1} of the plate`, loading: "lazy" })),
      one.note ? h("p", { class: "tl-says" }, one.note) : null,
      one.peppers.map((pepper) => h("div", { class: "tl-pair" },
        h("p", {}, `Pepper ${pepper.number}, ${pepper.colour}`),
        h("ul", {}, pepper.readings.map(([label, first, second]) => h("li", {}, `${label}: ${first}`, second ? h("span", { class: "tl-quiet" }, ` (${second})`) : "")),
          pepper.decisions.map(([outcome, words, rule]) => h("li", {}, h("b", {}, outcome), ` ${words} (${rule})`))))),
      this.back("Back to the gallery", () => { this.plate = null; this.draw(); }));
  }
}

export class ByHand extends Room {
  open() {
    return this.load(async () => { this.told = await this.ask("api/hand"); });
  }

  draw() {
    if (!this.told?.plates.length) {
      return fill(this.root, h("h1", {}, "Measure by hand"), this.says() ?? h("p", {}, this.told ? "No measured plate to compare with. Ask your coach to keep one." : "One moment."), this.back());
    }
    const choose = (label, id, options) => [h("label", { for: id }, label), h("select", { id, name: id }, options.map(([value, words]) => h("option", { value }, words)))];
    const number = (label, id, more) => [h("label", { for: id }, label), h("input", { id, name: id, type: "number", required: true, ...more })];
    const said = h("p", { class: "tl-asks", role: "status" }, this.words ?? "");
    fill(this.root,
      h("h1", {}, "Measure by hand"), this.says(),
      h("p", {}, "Measure a real pepper that the tool has measured too, then compare."),
      h("form", { onsubmit: (event) => { event.preventDefault(); this.send(new FormData(event.target), said); } },
        choose("Plate", "plate", this.told.plates), number("Pepper number", "pepper", { min: "1", max: "60", step: "1", value: "1", inputmode: "numeric" }),
        choose("What", "quantity", this.told.quantities), choose("With", "instrument", this.told.instruments.map((name) => [name, name])),
        choose("Unit", "unit", [["mm", "millimeters"], ["in", "inches"]]), number("Your reading", "reading", { min: "0", max: "400", step: "any", inputmode: "decimal" }),
        h("div", { class: "tl-row" }, h("button", { type: "submit", class: "tl-main" }, "Compare"))),
      said,
      h("p", { class: "tl-quiet tl-small" }, "A careful hand reading on a soft, lobed body is good to 1 mm (caliper) or 2 mm (ruler, ring): our assumption."),
      this.back());
  }

  async send(form, said) {
    const body = { ...Object.fromEntries(form), pepper: Number(form.get("pepper")), reading: Number(form.get("reading")) };
    try {
      said.textContent = (await this.ask("api/hand/keep", body)).words;
    } catch (error) {
      said.textContent = error.told ? `${error.told.text} ${error.told.what_to_do}` : "No answer. Try again in a moment.";
    }
  }
}
