// Plates for the large screen: one slide fills the window; arrows step, M shows or hides outlines, Esc ends.
export default function ({ data, parentElement, setTriggerValue }) {
  const dialog = parentElement.querySelector("dialog");
  if (dialog.shown === data.mark) return;
  dialog.shown = data.mark;
  const [stage, words, bar] = dialog.children;
  const [back, next, marks, close] = bar.querySelectorAll("button");
  const place = bar.querySelector("output");
  let at = 0;
  let marked = data.marked;

  function draw() {
    const slide = data.slides[at];
    stage.replaceChildren(...slide.pictures.map((one) => {
      const figure = document.createElement("figure");
      const holder = figure.appendChild(document.createElement("div"));
      if (one.marked || one.bare) {
        const image = holder.appendChild(document.createElement("img"));
        image.src = marked ? one.marked : one.bare;
        image.alt = one.alt;
        image.onload = fit;
      }
      const caption = figure.appendChild(document.createElement("figcaption"));
      caption.textContent = one.caption;
      caption.hidden = !one.caption;
      return figure;
    }));
    stage.classList.toggle("scaled", slide.scaled);
    words.querySelector("h2").textContent = slide.title;
    words.querySelector("p").textContent = slide.note;
    place.textContent = data.slides.length > 1 ? `${at + 1} of ${data.slides.length}` : "";
    for (const button of [back, next]) button.hidden = data.slides.length < 2;
    marks.hidden = !slide.pictures.some((one) => one.marked && one.bare && one.marked !== one.bare);
    marks.setAttribute("aria-pressed", String(marked));
  }
  // Pictures drawn at one scale are shrunk together, until the largest fits beside or below the others.
  function fit() {
    const images = [...stage.querySelectorAll("img")];
    if (!data.slides[at].scaled || images.some((one) => !one.naturalWidth)) return;
    const below = getComputedStyle(stage).flexDirection === "column";
    const captions = [...stage.querySelectorAll("figcaption")].map((one) => one.offsetHeight + 8);
    const sum = (all) => all.reduce((a, b) => a + b, 0);
    const room = stage.clientHeight - 16 - (below ? sum(captions) + 16 * images.length : Math.max(...captions));
    const high = images.map((one) => one.naturalHeight);
    const wide = Math.min(...[...stage.children].map((one) => one.clientWidth)) / Math.max(...images.map((one) => one.naturalWidth));
    const factor = Math.min(wide, room / (below ? sum(high) : Math.max(...high)));
    for (const one of images) one.style.width = `${factor * one.naturalWidth}px`;
  }
  const step = (by) => {
    at = (at + by + data.slides.length) % data.slides.length;
    draw();
  };
  const turn = () => {
    marked = !marked;
    draw();
  };
  const end = () => dialog.close();
  back.onclick = () => step(-1);
  next.onclick = () => step(1);
  marks.onclick = turn;
  close.onclick = end;
  dialog.onkeydown = (event) => {
    const known = { ArrowLeft: () => step(-1), PageUp: () => step(-1), ArrowRight: () => step(1), PageDown: () => step(1), m: turn, M: turn };
    if (!known[event.key]) return;
    event.preventDefault();
    known[event.key]();
  };
  const left = () => {
    if (!document.fullscreenElement && dialog.open && dialog.full) end();
  };
  document.addEventListener("fullscreenchange", left);
  window.addEventListener("resize", fit);
  dialog.onclose = () => {
    document.removeEventListener("fullscreenchange", left);
    window.removeEventListener("resize", fit);
    if (document.fullscreenElement) document.exitFullscreen();
    setTriggerValue("closed", true);
  };
  const show = () => {
    if (dialog.isConnected && !dialog.open) dialog.showModal();
    fit();
    next.hidden ? close.focus() : next.focus();
  };
  draw();
  // The whole screen where the browser allows it, else the whole window; what opens last lies on top.
  const whole = document.documentElement.requestFullscreen?.({ navigationUI: "hide" });
  Promise.resolve(whole).then(() => { dialog.full = Boolean(document.fullscreenElement); }, () => {}).then(show);
}
