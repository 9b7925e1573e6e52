// The drills on a phone: one pepper, one answer, the truth at once. What stands here came from the server; a truth
// comes only with the answer's own reply.
import { fill, h } from "./placing.js";
import { drawEye } from "./plot.js";

const kept = "truelobe-drill"; // the block one stands in, so that a reload returns to it

export class Drills {
  constructor(root, ask, whenDone) {
    Object.assign(this, { root, ask, whenDone, asked: null, told: null, choices: null, eye: null, problem: "", kind: "percent", focus: "", busy: false });
  }

  async open() {
    const block = sessionStorage.getItem(kept);
    await this.attempt(async () => {
      if (block) this.asked = await this.ask(`api/drills/${block}`).catch((error) => { if (!error.told) throw error; });
      if (!this.asked) this.choices = await this.ask("api/drills");
    });
  }

  close() {
    this.asked = this.told = this.choices = this.eye = null;
    sessionStorage.removeItem(kept);
  }

  // One thing at a time: a second tap while the first is on its way does nothing.
  async attempt(task) {
    if (this.busy) return;
    this.busy = true;
    this.problem = "";
    try {
      await task();
    } catch (error) {
      this.problem = error.told ? `${error.told.text} ${error.told.what_to_do}` : "No answer. Try again in a moment.";
      if (error.told?.code === "picture-gone") this.asked = await this.ask(`api/drills/${this.asked.block}`).catch(() => null);
    } finally {
      this.busy = false;
    }
    this.draw();
  }

  begin(role, kind = this.kind, focus = this.focus) {
    return this.attempt(async () => {
      this.asked = await this.ask("api/drills/open", { kind, focus: role === "practice" ? focus : "", role });
      this.told = null;
      sessionStorage.setItem(kept, this.asked.block);
    });
  }

  answer(value, second = null) {
    return this.attempt(async () => {
      const { block, position, look } = this.asked;
      this.told = await this.ask("api/drills/answer", { block, position, look, value, second });
      if (!this.told.words) this.next();
    });
  }

  next() {
    this.asked = this.told.next;
    this.told = null;
  }

  draw() {
    const says = this.problem ? h("p", { class: "tl-says", role: "alert" }, this.problem) : null;
    if (this.eye) return drawEye(this.root, this.eye, { back: () => { this.eye = null; this.open(); }, drill: (need) => { this.eye = null; this.begin("practice", need.kind, need.focus); } });
    if (this.told) return this.drawTold(says);
    if (this.asked?.picture) return this.drawAsked(says);
    if (this.asked) return this.drawDone(says);
    if (this.choices) return this.drawChoices(says);
    fill(this.root, says ?? h("p", { class: "tl-quiet" }, "One moment."));
  }

  drawChoices(says) {
    const { kinds, focuses, before, after, probes, own } = this.choices;
    const chooser = (label, name, options) => h("label", {}, label, h("select", {
      onchange: (event) => { this[name] = event.target.value; if (name === "kind") this.focus = ""; this.draw(); },
    }, options.map(([value, words]) => h("option", { value, selected: value === this[name] }, words))));
    fill(this.root,
      h("h1", {}, "Train the eye"), says,
      h("p", {}, "Ten peppers, one at a time. Stop whenever you like; every answer is kept."),
      chooser("Drill", "kind", kinds),
      focuses[this.kind] ? chooser("About", "focus", focuses[this.kind]) : null,
      row(main("Begin", () => this.begin("practice"))),
      row(button("See my eye", () => this.attempt(async () => { this.eye = await this.ask("api/eye"); }))),
      h("p", { class: "tl-quiet tl-small" }, own),
      h("h2", {}, "Test: before and after"),
      h("p", {}, `${probes} pictures before you practice and ${probes} alike afterwards show whether your eye has become better. No truth is shown during the test. Do a few at a time.`),
      h("p", { class: "tl-quiet tl-small" }, `Before: ${Math.min(before, probes)} of ${probes} done. After: ${after} of ${probes}.`),
      row(
        before < probes || after >= probes ? button(before && before < probes ? "Go on with the test before" : "Begin a test before", () => this.begin("before", "percent")) : button("Go on with the test after", () => this.begin("after", "percent"))),
      row(button("Back", this.whenDone)));
  }

  drawAsked(says) {
    const one = this.asked;
    fill(this.root,
      this.head(one), says,
      h("img", { class: "tl-pepper", src: `${one.picture}?${one.look}`, alt: "One pepper" }),
      h("p", { class: "tl-asks" }, one.asks),
      one.calls ? this.callButtons(one) : one.sizes ? this.sizeForm(one) : this.percentForm(),
      row(button("Stop here", () => { this.close(); this.open(); })));
    const image = this.root.querySelector(".tl-pepper");
    image.addEventListener("error", () => setTimeout(() => { image.src = `${one.picture}?${one.look}&${Date.now()}`; }, 1500), { once: true });
  }

  head(one, done = 0) {
    const at = Math.min(one.position + 1 - done, one.length);
    return h("div", { class: "tl-head" }, h("span", { class: "tl-name" }, one.title), h("span", { class: "tl-count" }, `Picture ${at} of ${one.length}`));
  }

  percentForm() {
    const input = h("input", { id: "percent", type: "number", inputmode: "numeric", min: "0", max: "100", step: "1", required: true, autocomplete: "off" });
    return h("form", { class: "tl-answer", onsubmit: (event) => { event.preventDefault(); this.answer(Math.round(Number(input.value))); } },
      h("label", { for: "percent" }, "Percent"), input, h("button", { type: "submit", class: "tl-main" }, "Answer"));
  }

  callButtons(one) {
    return h("div", { class: "tl-calls" }, one.calls.map(([word, value]) => button(word, () => this.answer(value))));
  }

  sizeForm(one) {
    const pick = (label) => h("label", {}, label, h("select", { required: true }, h("option", { value: "" }, "Inches"), one.sizes.map(([mm, words]) => h("option", { value: mm }, words))));
    const wide = pick("How wide is it here?");
    const long = pick("How long, without the stem?");
    const chosen = (label) => Number(label.querySelector("select").value);
    return h("form", { onsubmit: (event) => { event.preventDefault(); this.answer(chosen(wide), chosen(long)); } },
      h("p", { class: "tl-quiet tl-small" }, one.scale),
      wide, long, row(h("button", { type: "submit", class: "tl-main" }, "Answer")));
  }

  drawTold(says) {
    const told = this.told;
    fill(this.root,
      this.head(told.next, 1), says,
      h("img", { class: "tl-pepper", src: told.picture, alt: "The pepper, counted skin hatched" }),
      h("p", { class: "tl-asks", role: "status" }, told.words),
      row(main("Next", () => { this.next(); this.draw(); })));
    this.root.querySelector(".tl-main").focus({ preventScroll: true });
  }

  drawDone(says) {
    const { kind, role, focus, length } = this.asked;
    fill(this.root,
      h("h1", {}, "Done"), says,
      h("p", {}, `${length} pictures. All answers are kept.`),
      row(role === "practice" ? main("Ten more", () => { this.close(); this.begin("practice", kind, focus); }) : null,
        button("See my eye", () => this.attempt(async () => { this.close(); this.eye = await this.ask("api/eye"); })),
        button("Back", () => { this.close(); this.open(); })));
  }
}

function button(words, onclick) {
  return h("button", { type: "button", onclick }, words);
}

function main(words, onclick) {
  return h("button", { type: "button", class: "tl-main", onclick }, words);
}

function row(...children) {
  return h("div", { class: "tl-row" }, children);
}
