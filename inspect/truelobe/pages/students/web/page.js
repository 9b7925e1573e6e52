// A student's page on a phone: asks the server every two seconds, sends each tap until it has arrived.
import { Drills } from "./drills.js";
import { ByHand, Gallery, Lesson } from "./looking.js";
import { drawClass, fill, h, runClock } from "./placing.js";

const ASK_MS = 2000;
const page = document.getElementById("page");
let offset = 0;
let state = null;
let shown = "";
let stopClock = () => {};
let choosing = null;
let looking = null; // a finished class that is looked at again
let problem = "";
let sending = false;
let taps = 0; // counts what was tapped and what arrived, to know an answer that is older than a tap

const now = () => Date.now() + offset;
const over = () => Boolean(state?.class?.deadline) && now() >= state.class.deadline + 1000;

async function ask(path, body) {
  const options = body === undefined ? {} : { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) };
  const leaving = new AbortController();
  const timer = setTimeout(() => leaving.abort(), 8000);
  try {
    const answer = await fetch(path, { ...options, signal: leaving.signal, cache: "no-store" });
    const told = await answer.json();
    if (!answer.ok) throw Object.assign(new Error(told.text), { told, status: answer.status });
    return told;
  } finally {
    clearTimeout(timer);
  }
}

// Taps wait in the phone's own storage until the server has them; each has a name, so sending twice is harmless.
const queueName = "truelobe-taps";
const queue = () => JSON.parse(localStorage.getItem(queueName) ?? "[]");
const keep = (taps) => localStorage.setItem(queueName, JSON.stringify(taps));
const fresh = () => [...crypto.getRandomValues(new Uint8Array(12))].map((byte) => byte.toString(16).padStart(2, "0")).join("");

function tap(placing, submit = false) {
  taps += 1;
  const one = state.class;
  keep([...queue(), { who: state.who, session: one.session, tap: fresh(), placing, submit }]);
  one.placing = placing;
  if (submit) one.state = "submitted";
  draw();
  send();
}

async function send() {
  if (sending) return;
  sending = true;
  try {
    while (queue().length) {
      const [first, ...rest] = queue();
      let sheet = null;
      if (state?.who && first.who !== state.who) {
        keep(rest); // another student's, from before the device was handed on
        continue;
      }
      try {
        sheet = await ask("api/tap", first);
      } catch (error) {
        if (!error.told || error.status >= 500 || error.status === 401) throw error; // try again later
      }
      taps += 1;
      keep(queue().filter((one) => one.tap !== first.tap));
      if (sheet && !queue().length && state?.class?.session === first.session) Object.assign(state.class, sheet);
      if (first.submit) setTimeout(refresh, 0);
    }
    draw();
  } catch {
    draw();
    setTimeout(send, 1000);
  } finally {
    sending = false;
  }
}

async function refresh() {
  const asked = Date.now();
  const before = taps;
  try {
    const told = await ask("api/state");
    if (taps !== before) return; // the next answer will know of it
    if (told.now) offset = told.now - (asked + Date.now()) / 2;
    problem = "";
    if (told.class && queue().length) {
      const last = queue().at(-1);
      if (last.session === told.class.session && told.class.state === "open") Object.assign(told.class, { placing: last.placing, state: last.submit ? "submitted" : "open" });
    }
    const own = state?.class && !state.class.led && !told.class ? state.class.session : null;
    state = told;
    if (own) await lookAt(own);
  } catch (error) {
    problem = error.told ? error.told.text : "No answer. Trying again; the clock goes on.";
  }
  draw();
  if (queue().length) send();
}

// Rooms beside the class; the address names the one that is open, so that a reload returns to it. A class that the
// coach opens goes before all of them.
const inner = h("div", {});
const rooms = { drill: Drills, lesson: Lesson, gallery: Gallery, hand: ByHand };
let room = null;
let roomName = "";

function enterRoom() {
  const name = state?.who && !state.class && !looking ? location.hash.slice(1) : "";
  if (name === roomName) return;
  roomName = name in rooms ? name : "";
  room = roomName ? new rooms[roomName](inner, ask, () => { location.hash = ""; }) : null;
  inner.replaceChildren();
  room?.open();
}

function draw() {
  enterRoom();
  if (document.querySelector(".tl-zoom") && state?.class?.state === "open" && !over()) return;
  const key = JSON.stringify([state && { ...state, now: 0 }, roomName, choosing, looking, problem, over(), queue().length > 0]);
  if (key === shown) return;
  const typed = page.querySelector("input")?.value;
  shown = key;
  stopClock();
  document.querySelector(".tl-zoom")?.remove();
  if (!state) fill(page, h("p", {}, problem || "One moment."));
  else if (!state.who) drawRoster(typed);
  else if (looking) drawClass(page, looking, { ...actions, back: () => { looking = null; draw(); } });
  else if (state.class) drawClass(page, state.class, actions);
  else if (room) stay(inner);
  else drawChoices();
  if (state?.who) page.append(foot());
  if (problem && state) page.prepend(h("p", { class: "tl-says", role: "status" }, problem));
  if (state?.class?.started && !looking) stopClock = runClock(page, state.class, now, () => setTimeout(refresh, 1200));
}

// A room stays where it is: taken out and put back, it would lose the tap that is being made.
function stay(inner) {
  for (const other of [...page.children]) if (other !== inner) other.remove();
  if (inner.parentNode !== page) page.append(inner);
}

const actions = {
  tap,
  submit: (placing) => tap(placing, true),
  over,
  waiting: () => queue().length > 0,
  layers: () => document.body,
  picture(name, alt) {
    // One that did not come (the network was gone, the server busy) is asked for again as long as it is shown.
    const src = `picture/${name}`;
    const again = ({ target }) => setTimeout(() => target.isConnected && target.setAttribute("src", src), ASK_MS);
    return h("img", { src, alt, decoding: "async", onerror: again });
  },
};

function drawRoster(typed) {
  if (choosing && !state.roster.some((one) => one.student === choosing.student)) choosing = null;
  if (!choosing) {
    fill(page,
      h("h1", {}, "Who are you?"),
      state.roster.length
        ? h("div", { class: "tl-names" }, state.roster.map((one) => h("button", { type: "button", onclick: () => { choosing = one; draw(); } }, one.nickname)))
        : h("p", { class: "tl-says" }, "The roster is empty. Ask your coach to add your nickname."));
    return;
  }
  const input = h("input", { id: "word", autocomplete: "off", autocapitalize: "none", spellcheck: "false", maxlength: "60", value: typed ?? "" });
  const says = h("p", { class: "tl-says", role: "alert", hidden: true });
  const form = h("form", {
    onsubmit: async (event) => {
      event.preventDefault();
      try {
        await ask("api/enter", { student: choosing.student, word: input.value });
        choosing = null;
        await refresh();
      } catch (error) {
        says.hidden = false;
        says.textContent = error.told ? `${error.told.text} ${error.told.what_to_do}` : "No answer. Try again in a moment.";
      }
    },
  },
    h("label", { for: "word" }, "The word on your slip"), input, says,
    h("div", { class: "tl-row" },
      h("button", { type: "button", onclick: () => { choosing = null; draw(); } }, "Not me"),
      h("button", { type: "submit", class: "tl-main" }, "Come in")));
  fill(page, h("h1", {}, choosing.nickname), form);
  input.focus();
}

function drawChoices() {
  fill(page,
    h("h1", {}, "Place a class"),
    state.offers.length ? null : h("p", { class: "tl-quiet" }, "Nothing is open right now. Keep this page open: a class appears by itself when your coach opens one."),
    state.offers.length ? h("p", {}, "Take one when you are ready. The clock starts at once.") : null,
    state.offers.map((offer) => h("div", { class: "tl-row" },
      h("button", { type: "button", class: "tl-main", onclick: () => begin(offer.class) }, `Start ${offer.title}`))),
    h("h2", {}, "Meanwhile"),
    h("div", { class: "tl-row" }, [["drill", "Train the eye"], ["lesson", "What counts"], ["gallery", "Gallery"], ["hand", "Measure by hand"]].map(([name, words]) =>
      h("button", { type: "button", onclick: () => { location.hash = name; } }, words))),
    state.done.length ? h("h2", {}, "Placed before") : null,
    state.done.map((one) => h("div", { class: "tl-row" },
      h("button", { type: "button", onclick: () => lookAt(one.session) }, one.points == null ? one.title : `${one.title}: ${one.points} of 50`))));
}

async function begin(uid) {
  try {
    state = await ask("api/begin", { class: uid });
  } catch (error) {
    problem = error.told?.text ?? "No answer. Try again in a moment.";
  }
  draw();
}

async function lookAt(session) {
  try {
    looking = await ask(`api/finished/${session}`);
  } catch (error) {
    problem = error.told?.text ?? "No answer. Try again in a moment.";
  }
  draw();
}

function foot() {
  return h("div", { class: "tl-foot" }, h("span", {}, `You are ${state.who}. Practice aid, not an inspection.`),
    h("button", { type: "button", onclick: async () => {
      if (queue().length) return send();
      try {
        await ask("api/leave", {});
        looking = choosing = null;
        location.hash = "";
        sessionStorage.clear();
      } catch {
        problem = "No answer. Try again in a moment.";
      }
      await refresh();
    } }, "Next student"));
}

document.addEventListener("visibilitychange", () => document.visibilityState === "visible" && refresh());
addEventListener("online", refresh);
addEventListener("hashchange", draw);
setInterval(refresh, ASK_MS);
refresh();
