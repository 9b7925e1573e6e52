// A picture that can be touched. Coordinates leave in pixels of the photo, pixel centres at whole numbers.
const SVG = "http://www.w3.org/2000/svg";
const NEAR_PX = 14; // a press and a release closer than this on the screen are one tap

export default function ({ data, parentElement, setTriggerValue }) {
  const stage = parentElement.querySelector(".tl-touch-stage");
  const image = stage.querySelector("img");
  const svg = stage.querySelector("svg");
  const hint = parentElement.querySelector(".tl-touch-hint");
  const [left, top, right, bottom] = data.box;
  const width = right - left;
  const height = bottom - top;

  if (image.src !== data.image) image.src = data.image;
  image.alt = data.alt;
  hint.textContent = data.hint;
  stage.dataset.mode = data.mode;
  stage.style.maxWidth = `min(100%, ${(data.highest * width) / height}rem)`;
  stage.style.aspectRatio = `${width} / ${height}`;
  // Photo coordinates count from pixel centres, the drawing from pixel edges.
  svg.setAttribute("viewBox", `${left - 0.5} ${top - 0.5} ${width} ${height}`);
  svg.setAttribute("preserveAspectRatio", "none");
  svg.replaceChildren();

  const listeners = new AbortController();
  const on = (target, kind, what) => target.addEventListener(kind, what, { signal: listeners.signal });
  const answer = (value) => setTriggerValue("touched", value);

  if (data.mode === "look") {
    stage.removeAttribute("tabindex");
    stage.removeAttribute("role");
    stage.removeAttribute("aria-label");
    look();
  } else {
    draw();
  }

  function look() {
    svg.setAttribute("role", "group");
    svg.setAttribute("aria-label", "Peppers in the picture");
    for (const spot of data.spots) {
      const shape = document.createElementNS(SVG, "polygon");
      shape.setAttribute("points", spot.outline.map((p) => p.join(",")).join(" "));
      shape.setAttribute("class", "spot");
      shape.setAttribute("role", "button");
      shape.setAttribute("tabindex", "0");
      shape.setAttribute("aria-label", spot.label);
      shape.dataset.number = spot.number;
      on(shape, "click", () => answer({ number: spot.number }));
      on(shape, "keydown", (event) => {
        if (event.key !== "Enter" && event.key !== " ") return;
        event.preventDefault();
        answer({ number: spot.number });
      });
      svg.append(shape);
    }
  }

  function draw() {
    svg.removeAttribute("role");
    svg.removeAttribute("aria-label");
    stage.setAttribute("tabindex", "0");
    stage.setAttribute("role", "application");
    stage.setAttribute("aria-label", `${data.hint} With the keyboard: arrow keys move, Enter sets, Escape starts over.`);
    let points = []; // set so far
    let pressed = null; // where the pointer went down, on the screen
    let hand = [left + width / 2, top + height / 2]; // where the keyboard stands
    const wanted = data.mode === "point" ? 1 : 2;

    const place = (event) => {
      const seen = image.getBoundingClientRect();
      const x = left + ((event.clientX - seen.left) / seen.width) * width - 0.5;
      const y = top + ((event.clientY - seen.top) / seen.height) * height - 0.5;
      return [Math.min(right - 1, Math.max(left, x)), Math.min(bottom - 1, Math.max(top, y))];
    };
    const rounded = (list) => list.map(([x, y]) => [Math.round(x * 100) / 100, Math.round(y * 100) / 100]);
    const finish = (list) => {
      points = list;
      show(null);
      answer({ points: rounded(list) });
      points = [];
    };

    function show(loose, cross) {
      svg.replaceChildren();
      const all = loose ? [...points, loose] : points;
      const marks = [];
      if (all.length > 1) marks.push(["polyline", { points: all.map((p) => p.join(",")).join(" ") }]);
      const radius = (9 * width) / Math.max(1, image.clientWidth);
      for (const [x, y] of data.mode === "path" ? all.slice(0, 1) : all) marks.push(["circle", { cx: x, cy: y, r: radius }]);
      if (cross) {
        const [x, y] = cross;
        marks.push(["path", { d: `M${x - 2 * radius} ${y}H${x + 2 * radius}M${x} ${y - 2 * radius}V${y + 2 * radius}` }]);
      }
      for (const layer of ["case", "line"]) {
        for (const [name, attributes] of marks) {
          const mark = document.createElementNS(SVG, name);
          mark.setAttribute("class", layer);
          for (const [key, value] of Object.entries(attributes)) mark.setAttribute(key, value);
          svg.append(mark);
        }
      }
    }

    on(stage, "pointerdown", (event) => {
      if (!event.isPrimary || event.button !== 0) return;
      event.preventDefault();
      stage.setPointerCapture(event.pointerId);
      stage.focus({ preventScroll: true });
      pressed = [event.clientX, event.clientY];
      if (data.mode === "path") points = [place(event)];
      else if (data.mode === "line" && points.length === 0) points = [place(event)];
      show(place(event));
    });
    on(stage, "pointermove", (event) => {
      if (!pressed) return;
      if (data.mode === "path") points.push(place(event));
      show(place(event));
    });
    on(stage, "pointercancel", () => {
      pressed = null;
      points = [];
      show(null);
    });
    on(stage, "pointerup", (event) => {
      if (!pressed) return;
      const moved = Math.hypot(event.clientX - pressed[0], event.clientY - pressed[1]) > NEAR_PX;
      const first = points.length === 1 && Math.hypot(...screenGap(points[0], place(event))) <= NEAR_PX;
      pressed = null;
      if (data.mode === "point") finish([place(event)]);
      else if (data.mode === "path") {
        if (points.length > 8) finish(thinned(points, 400));
        else { points = []; show(null); }
      } else if (moved || !first) finish([points[0], place(event)]); // dragged, or a second tap
      else show(null); // a first tap: the line's other end comes next
    });
    on(stage, "keydown", (event) => {
      const step = (event.shiftKey ? 0.05 : 0.01) * Math.max(width, height);
      const moves = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] };
      if (moves[event.key]) {
        hand = [
          Math.min(right - 1, Math.max(left, hand[0] + moves[event.key][0])),
          Math.min(bottom - 1, Math.max(top, hand[1] + moves[event.key][1])),
        ];
        show(data.mode === "line" && points.length ? hand : null, hand);
      } else if (event.key === "Enter") {
        if (data.mode === "path") return;
        points = [...points, hand];
        if (points.length === wanted) finish(points);
        else show(null, hand);
      } else if (event.key === "Escape" && points.length) {
        event.stopPropagation();
        points = [];
        show(null, hand);
      } else return;
      event.preventDefault();
    });

    function screenGap([x0, y0], [x1, y1]) {
      const scale = image.clientWidth / width;
      return [(x1 - x0) * scale, (y1 - y0) * scale];
    }
  }

  function thinned(list, most) {
    const step = Math.max(1, Math.ceil(list.length / most));
    return list.filter((_, index) => index % step === 0);
  }

  return () => listeners.abort();
}
