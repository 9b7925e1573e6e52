// The clock for the large screen. It runs here, from a deadline that the program holds.
export default function ({ data, parentElement }) {
  const root = parentElement.querySelector(".tl-room-clock");
  if (root.stop) root.stop();
  root.innerHTML = '<div class="tl-clock-large" role="timer"></div><p class="tl-clock-said" aria-live="assertive"></p>';
  const [face, said] = root.children;
  if (root.seen !== data.now) Object.assign(root, { seen: data.now, offset: data.now - Date.now() });
  const near = Math.min(30, data.seconds / 4) * 1000;
  let warned = false;
  let over = false;

  function beep(times) {
    const Sound = window.AudioContext || window.webkitAudioContext;
    if (!Sound) return;
    root.sound = root.sound || new Sound();
    for (let n = 0; n < times; n += 1) {
      const tone = root.sound.createOscillator();
      const volume = root.sound.createGain();
      tone.frequency.value = 880;
      volume.gain.value = 0.25;
      tone.connect(volume).connect(root.sound.destination);
      tone.start(root.sound.currentTime + 0.45 * n);
      tone.stop(root.sound.currentTime + 0.45 * n + 0.3);
    }
  }

  function tick() {
    const left = data.deadline - (Date.now() + root.offset);
    const seconds = Math.max(0, Math.ceil(left / 1000));
    face.textContent = `${Math.floor(seconds / 60)}:${String(seconds % 60).padStart(2, "0")}`;
    face.classList.toggle("near", left <= near && left > 0);
    face.classList.toggle("over", left <= 0);
    if (left <= near && left > 0 && !warned) {
      warned = true;
      said.textContent = `${seconds} seconds left`;
      beep(1);
    }
    if (left <= 0 && !over) {
      over = true;
      said.textContent = "Time is up. Hand in your cards.";
      if (left > -3000) beep(2);
    }
  }
  tick();
  const timer = setInterval(tick, 200);
  root.stop = () => clearInterval(timer);
  return root.stop;
}
