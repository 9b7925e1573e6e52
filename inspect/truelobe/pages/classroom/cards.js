// Paper cards: four digits and Enter for each; a wrong digit is said at once.
function wrong(typed) {
  const strange = [...typed].find((digit) => !"1234".includes(digit));
  if (strange) return `“${strange}” is no plate`;
  const twice = [...typed].find((digit, n) => typed.indexOf(digit) !== n);
  if (twice) return `${twice} stands there twice`;
  return typed.length > 4 ? "more than four" : "";
}

export default function ({ data, parentElement, setStateValue }) {
  const root = parentElement.querySelector(".tl-room-cards");
  const names = data.rows.map((row) => row.student).join();
  root.typed = root.typed || {};
  if (root.names !== names) {
    root.names = names;
    root.innerHTML = "<table><tbody></tbody></table>";
    data.rows.forEach((row) => root.querySelector("tbody").append(line(row)));
  }
  root.send = () => setStateValue("typed", { ...root.typed });
  data.rows.forEach((row, n) => {
    const cells = root.querySelectorAll("tr")[n].children;
    const input = cells[1].firstChild;
    if (document.activeElement !== input && !(row.student in root.typed)) input.value = row.typed;
    if (!wrong(input.value)) cells[2].textContent = row.note;
  });

  function line(row) {
    const tr = document.createElement("tr");
    const [name, field, note] = [0, 1, 2].map(() => tr.appendChild(document.createElement("td")));
    name.textContent = row.nickname;
    const input = field.appendChild(document.createElement("input"));
    Object.assign(input, { value: row.typed, inputMode: "numeric", autocomplete: "off", maxLength: 6 });
    input.setAttribute("aria-label", `Placing of ${row.nickname}, best plate first`);
    note.setAttribute("aria-live", "polite");
    input.addEventListener("input", () => {
      const fault = wrong(input.value);
      input.setAttribute("aria-invalid", String(Boolean(fault)));
      note.textContent = fault;
    });
    input.addEventListener("keydown", (event) => {
      if (event.key !== "Enter") return;
      event.preventDefault();
      const fault = wrong(input.value) || (input.value.length && input.value.length < 4 ? "four digits, please" : "");
      if (fault && !input.insists) {
        input.insists = true;
        note.textContent = `${fault}. Enter again to keep it so.`;
        input.setAttribute("aria-invalid", "true");
        return;
      }
      input.insists = false;
      root.typed[row.student] = input.value;
      root.send();
      const all = [...root.querySelectorAll("input")];
      const next = all[all.indexOf(input) + 1];
      if (next) next.focus();
    });
    return tr;
  }
}
