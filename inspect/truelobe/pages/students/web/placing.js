// Draws a class being placed and its critique. Knows nothing about how taps travel: `actions` does.
const PLACES = ["1st", "2nd", "3rd", "4th"];

export function h(tag, properties = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(properties)) {
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (value === true) element.setAttribute(name, "");
    else if (value !== false && value != null) element.setAttribute(name, value);
  }
  element.append(...children.flat().filter((child) => child != null).map(together));
  return element;
}

// A number keeps its fraction and its unit on one line, as on the coach's pages.
function together(child) {
  if (typeof child !== "string") return child;
  return child.replace(/(\d) (%|in\b|mm\b|s\b)/g, "$1\u00a0$2").replace(/(\d)-(\d+\/\d)/g, "$1\u2011$2");
}

// Puts children in place of what was there; lists are opened, nothing stands for nothing.
export function fill(root, ...children) {
  root.replaceChildren(...children.flat(3).filter((child) => child != null));
}

export function clockText(left) {
  const seconds = Math.max(0, Math.ceil(left / 1000));
  return `${Math.floor(seconds / 60)}:${String(seconds % 60).padStart(2, "0")}`;
}

export function nearEnd(left, seconds) {
  return left <= Math.min(30, seconds / 4) * 1000;
}

// `now()` is the server's time in milliseconds; returns a function that stops the clock.
export function runClock(root, state, now, ended) {
  const clock = root.querySelector(".tl-clock");
  const said = root.querySelector(".tl-said");
  if (!clock || !state.deadline) return () => {};
  let warned = false;
  let over = false;
  const tick = () => {
    const left = state.deadline - now();
    clock.textContent = clockText(left);
    const near = nearEnd(left, state.seconds);
    clock.classList.toggle("tl-near", near);
    if (near && !warned && left > 0) {
      warned = true;
      said.textContent = `${Math.ceil(left / 1000)} seconds left`;
      if (navigator.vibrate) navigator.vibrate(200);
    }
    if (left <= 0 && !over) {
      over = true;
      said.textContent = "Time is up";
      ended();
    }
  };
  tick();
  const timer = setInterval(tick, 200);
  return () => clearInterval(timer);
}

// A class before, during and after its clock.
export function drawClass(root, state, actions) {
  if (state.critique) return drawCritique(root, state, actions);
  if (!state.started) return drawWaiting(root, state);
  if (state.state === "open" && !actions.over()) return drawPlacing(root, state, actions);
  return drawHandedIn(root, state, actions);
}

function drawWaiting(root, state) {
  fill(root,
    h("h1", {}, state.title),
    state.scenario ? h("p", {}, state.scenario) : null,
    h("p", { class: "tl-says" }, `You will have ${spanOf(state.seconds)}. The clock starts for everyone at once; keep this page open.`),
  );
}

function spanOf(seconds) {
  const minutes = Math.floor(seconds / 60);
  const rest = seconds % 60;
  const parts = [];
  if (minutes) parts.push(`${minutes} minute${minutes > 1 ? "s" : ""}`);
  if (rest) parts.push(`${rest} seconds`);
  return parts.join(" ");
}

function drawPlacing(root, state, actions) {
  const placing = state.placing;
  fill(root,
    h("div", { class: "tl-head" }, h("span", { class: "tl-name" }, state.title), h("span", { class: "tl-clock", role: "timer" })),
    h("p", { class: "tl-said tl-hidden", "aria-live": "assertive" }),
    state.scenario ? h("p", {}, state.scenario) : null,
    plates(state, actions),
    h("div", { class: "tl-thumb" },
      h("div", { class: "tl-slots", "aria-live": "polite" },
        PLACES.map((place, n) => h("div", {}, place, h("b", {}, placing[n] ?? "·")))),
      h("div", { class: "tl-keys" },
        ["1", "2", "3", "4"].map((plate) =>
          h("button", {
            type: "button",
            disabled: placing.includes(plate),
            "aria-label": `Plate ${plate}: ${PLACES[placing.length] ?? "placed"}`,
            onclick: () => actions.tap(placing + plate),
          }, plate))),
      h("div", { class: "tl-row" },
        h("button", { type: "button", disabled: placing === "", onclick: () => actions.tap(placing.slice(0, -1)) }, "Undo"),
        h("button", { type: "button", class: "tl-main", disabled: placing.length < 4, onclick: () => actions.submit(placing) },
          placing.length < 4 ? (placing ? "Tap the next best" : "Tap the best plate first") : `Hand in ${placing.split("").join("-")}`)),
      h("p", { class: "tl-small tl-quiet tl-sending", "aria-live": "polite" }, actions.waiting() ? "Not sent yet. It will be, as soon as the network is back." : "")),
  );
}

function plates(state, actions) {
  const scaled = state.plates.flatMap((plate) => plate.views.filter((view) => view.scaled));
  const widest = Math.max(1, ...scaled.map((view) => Math.max(view.w, view.h)));
  const shown = state.plates.filter((plate) => plate.views.length || plate.told.length);
  if (!shown.length) return h("p", { class: "tl-quiet" }, "The four plates stand before you.");
  return h("div", { class: "tl-plates" }, shown.map((plate) => {
    const first = plate.views[0];
    const share = first?.scaled ? (100 * Math.max(first.w, first.h)) / widest : 100;
    const button = first && h("button", { type: "button", "aria-label": `Look closer at plate ${plate.number}`, onclick: () => zoom(state, plate.number, actions) },
      actions.picture(first.src, `Plate ${plate.number}`),
      h("span", { class: "tl-number", "aria-hidden": "true" }, String(plate.number)),
      plate.views.length > 1 ? h("span", { class: "tl-views" }, `${plate.views.length} views`) : null);
    if (button) Object.assign(button.querySelector("img").style, { maxWidth: `${share}%`, maxHeight: `${share}%` });
    const lines = plate.told.length ? h("ul", {}, plate.told.map((line) => h("li", {}, line))) : null;
    return h("div", { class: "tl-plate" }, button ?? h("p", {}, `Plate ${plate.number}`), lines);
  }));
}

// Full screen: pinch, wheel or the buttons make it larger, one finger moves it.
function zoom(state, number, actions) {
  let plate = number;
  let view = 0;
  let scale = 1;
  let x = 0;
  let y = 0;
  const fingers = new Map();
  const stage = h("div", { class: "tl-stage" });
  const tools = h("div", { class: "tl-tools" });
  const layer = h("div", { class: "tl-zoom", role: "dialog", "aria-modal": "true", "aria-label": "Plates close up" }, stage, tools);
  const before = document.activeElement;

  const place = () => {
    const image = stage.firstChild;
    if (image) image.style.transform = `translate(${x}px, ${y}px) scale(${scale})`;
  };
  const grow = (factor, cx, cy) => {
    const next = Math.min(8, Math.max(1, scale * factor));
    const box = stage.firstChild.getBoundingClientRect();
    x -= (cx - box.left) * (next / scale - 1);
    y -= (cy - box.top) * (next / scale - 1);
    scale = next;
    if (scale === 1) x = y = 0;
    place();
  };
  const middle = () => {
    const box = stage.getBoundingClientRect();
    return [box.left + box.width / 2, box.top + box.height / 2];
  };
  const show = () => {
    const views = state.plates.find((one) => one.number === plate).views;
    view %= views.length;
    scale = 1;
    x = y = 0;
    stage.replaceChildren(actions.picture(views[view].src, `Plate ${plate}, view ${view + 1}`));
    stage.firstChild.draggable = false;
    tools.replaceChildren(
      ...state.plates.filter((one) => one.views.length).map((one) =>
        h("button", { type: "button", "aria-pressed": String(one.number === plate), "aria-label": `Plate ${one.number}`, onclick: () => { plate = one.number; show(); } }, String(one.number))),
      views.length > 1 ? h("button", { type: "button", onclick: () => { view += 1; show(); } }, `View ${view + 1} of ${views.length}`) : "",
      h("button", { type: "button", "aria-label": "Larger", onclick: () => grow(1.6, ...middle()) }, "+"),
      h("button", { type: "button", "aria-label": "Smaller", onclick: () => grow(1 / 1.6, ...middle()) }, "−"),
      h("button", { type: "button", onclick: close }, "Close"));
  };
  function close() {
    layer.remove();
    document.removeEventListener("keydown", keys);
    before?.focus?.();
  }
  function keys(event) {
    if (event.key === "Escape") close();
    if (event.key === "+") grow(1.6, ...middle());
    if (event.key === "-") grow(1 / 1.6, ...middle());
  }
  stage.addEventListener("pointerdown", (event) => {
    stage.setPointerCapture(event.pointerId);
    fingers.set(event.pointerId, [event.clientX, event.clientY]);
  });
  stage.addEventListener("pointermove", (event) => {
    const was = fingers.get(event.pointerId);
    if (!was) return;
    const is = [event.clientX, event.clientY];
    const other = [...fingers].find(([id]) => id !== event.pointerId)?.[1];
    if (other) {
      const apart = (p) => Math.hypot(p[0] - other[0], p[1] - other[1]);
      if (apart(was) > 0) grow(apart(is) / apart(was), (is[0] + other[0]) / 2, (is[1] + other[1]) / 2);
    } else if (scale > 1) {
      x += is[0] - was[0];
      y += is[1] - was[1];
      place();
    }
    fingers.set(event.pointerId, is);
  });
  for (const kind of ["pointerup", "pointercancel"]) stage.addEventListener(kind, (event) => fingers.delete(event.pointerId));
  stage.addEventListener("wheel", (event) => { event.preventDefault(); grow(event.deltaY < 0 ? 1.2 : 1 / 1.2, event.clientX, event.clientY); }, { passive: false });
  document.addEventListener("keydown", keys);
  actions.layers().append(layer);
  show();
  tools.querySelector("button").focus();
}

function drawHandedIn(root, state, actions) {
  const whole = state.placing.length === 4;
  const words = state.state === "submitted" ? "Handed in" : state.state === "paper" ? "From your card" : "Time is up";
  fill(root,
    h("h1", {}, state.title),
    h("p", {}, `${words}:`),
    h("p", { class: "tl-order" }, state.placing ? state.placing.split("").join("-") : "no placing"),
    whole || state.state === "paper" ? null : h("p", { class: "tl-says" }, "Not every plate had a place when the time ended."),
    state.late ? h("p", { class: "tl-says" }, `${state.late.split("").join("-")} arrived after the end. Tell your coach.`) : null,
    actions.waiting() ? h("p", { class: "tl-says" }, "Not sent yet. Keep this page open until the network is back.") : null,
    h("p", { class: "tl-quiet" }, state.step > 0 ? "Look at the large screen: the critique is on." : "The key opens when your coach starts the critique."),
  );
}

function drawCritique(root, state, actions) {
  const told = state.critique;
  const mine = state.placing;
  const whole = mine.length === 4;
  fill(root,
    h("h1", {}, state.title),
    told.points == null
      ? h("p", {}, "No placing was counted.")
      : h("p", { class: "tl-score" }, String(told.points), h("small", {}, ` of 50. A guess averages ${told.chance}.`)),
    h("p", {}, "Official placing"),
    h("p", { class: "tl-order" }, told.official.split("").join("-")),
    mine ? h("p", {}, `Yours: ${mine.split("").join("-")}`) : null,
    h("p", { class: "tl-quiet" }, `Cuts ${told.cuts.join("-")}: ${told.hints.join(", ")}.`),
    state.plates.some((plate) => plate.views.length) ? plates(state, actions) : null,
    h("h2", {}, "The six pairs"),
    told.pairs.map((pair) => drawPair(pair, whole)),
    h("h2", {}, "All 24 placings"),
    h("ul", { class: "tl-all" }, told.all.map(([placing, points]) =>
      h("li", { class: placing === mine ? "tl-yours" : "" }, h("span", {}, placing.split("").join("-")), h("span", {}, String(points))))),
    actions.back ? h("div", { class: "tl-row" }, h("button", { type: "button", class: "tl-main", onclick: actions.back }, "Done")) : null,
  );
}

function drawPair(pair, whole) {
  const outcome = !whole || pair.kept == null ? `worth ${pair.cost}` : pair.kept ? "right" : `the other way round: ${pair.cost} lost`;
  const sign = !whole || pair.kept == null ? "" : pair.kept ? "✓ " : "✗ ";
  const real = pair.facts.filter((fact) => fact.real);
  const rest = pair.facts.filter((fact) => !fact.real);
  const line = (fact) => h("li", {}, fact.favours && fact.favours !== pair.better && fact.real ? h("b", {}, "Grant: ") : "", fact.says);
  return h("div", { class: "tl-pair" },
    h("p", {}, `${sign}${pair.better} over ${pair.worse}: ${outcome}`),
    real.length ? h("ul", {}, real.map(line)) : h("p", { class: "tl-quiet tl-small" }, "Nothing on record sets the two apart; ask your coach for the reason."),
    rest.length ? h("details", {}, h("summary", {}, "Too close, level or not checked"), h("ul", {}, rest.map(line))) : null);
}
