
// A class being placed on the coach's own machine: taps go back as one growing list, so none is lost.
export default function ({ data, parentElement, setStateValue }) {
  const root = parentElement.querySelector(".tl-room-placing");
  root.classList.add("tl-place");
  if (root.stop) root.stop();
  root.stop = () => {};
  const one = data.class;
  if (!one) {
    root.replaceChildren();
    return;
  }
  if (root.session !== one.session) Object.assign(root, { session: one.session, taps: [] });
  if (root.seen !== data.now) Object.assign(root, { seen: data.now, offset: data.now - Date.now() });
  const last = root.taps.at(-1);
  if (last && one.state === "open") {
    // This page was asked for before the last taps arrived: what was tapped stands.
    Object.assign(one, { placing: last.placing, state: last.submit ? "submitted" : "open" });
  }
  const now = () => Date.now() + root.offset;
  const fresh = () => [...crypto.getRandomValues(new Uint8Array(12))].map((b) => b.toString(16).padStart(2, "0")).join("");
  const send = (placing, submit) => {
    root.taps = [...root.taps, { session: one.session, tap: fresh(), placing, submit }];
    Object.assign(one, { placing, state: submit ? "submitted" : "open" });
    setStateValue("taps", root.taps);
    draw();
  };
  const actions = {
    tap: (placing) => send(placing, false),
    submit: (placing) => send(placing, true),
    over: () => Boolean(one.deadline) && now() > one.deadline + 1000,
    waiting: () => false,
    layers: () => root,
    picture: (name, alt) => h("img", { src: data.pictures[name], alt }),
  };
  function draw() {
    root.stop();
    drawClass(root, one, actions);
    root.stop = one.critique || !one.started ? () => {} : runClock(root, one, now, () => setTimeout(() => setStateValue("taps", [...root.taps]), 1300));
  }
  draw();
  return () => root.stop();
}
