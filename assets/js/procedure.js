// What the editors of procedures gain from a script: rows are dragged or moved
// by keyboard, the page stays where it was after an action, pins are picked on
// the drawing, and a sweep shows its levels as it is typed. The server reads
// everything that is typed; nothing of a procedure is kept here.

const list = document.getElementById("measurements");
const form = document.getElementById("measurement-form");

// After an action the page comes back; it stays at the same height.
const keptAt = "ohmkeep:procedure:" + location.pathname;

function comeBack() {
  const kept = sessionStorage.getItem(keptAt);
  sessionStorage.removeItem(keptAt);
  if (kept !== null) requestAnimationFrame(() => scrollTo(0, Number(kept)));
}

// post sends the list's form with an action of its own.
function post(fields) {
  for (const [name, value] of Object.entries(fields)) {
    const input = document.createElement("input");
    input.type = "hidden";
    input.name = name;
    input.value = value;
    list.append(input);
  }
  sessionStorage.setItem(keptAt, String(scrollY));
  list.submit();
}

function rows() { return [...list.querySelectorAll(".rows > li")]; }
function place(row) { return Number(row.id.slice(1)); }

let dragged = null;
let target = null;

function unmark() {
  for (const row of list.querySelectorAll(".before, .after-it")) row.classList.remove("before", "after-it");
}

// A row is taken by its number and let go where it shall stand.
function grab(event) {
  const row = event.target;
  if (event.button !== 0 || !row.matches(".rows > li")) return;
  event.preventDefault();
  dragged = row;
  row.classList.add("dragged");
  list.setPointerCapture(event.pointerId);
}

function drag(event) {
  if (!dragged) return;
  unmark();
  const under = document.elementFromPoint(event.clientX, event.clientY);
  target = under && under.closest("#measurements .rows > li");
  if (!target || target === dragged) return;
  target.classList.add(place(target) < place(dragged) ? "before" : "after-it");
}

function drop() {
  if (!dragged) return;
  const from = dragged;
  const to = target;
  dragged.classList.remove("dragged");
  dragged = target = null;
  unmark();
  if (to && to !== from) post({ move: place(from), to: place(to) });
}

// Alt with an arrow moves the row that has the focus.
function key(event) {
  const row = event.target.closest(".rows > li");
  if (!row || !event.altKey || (event.key !== "ArrowUp" && event.key !== "ArrowDown")) return;
  event.preventDefault();
  post({ [event.key === "ArrowUp" ? "up" : "down"]: place(row) });
}

// Shift ticks all rows from the one ticked last.
let last = null;
function tick(event) {
  const box = event.target;
  if (box.type !== "checkbox") return;
  const row = box.closest("li");
  if (event.shiftKey && last !== null) {
    const [a, b] = [Math.min(last, place(row)), Math.max(last, place(row))];
    for (const r of rows()) if (place(r) >= a && place(r) <= b) r.querySelector("input").checked = box.checked;
  }
  last = place(row);
}

if (list) {
  comeBack();
  list.addEventListener("submit", () => sessionStorage.setItem(keptAt, String(scrollY)));
  list.addEventListener("pointerdown", grab);
  list.addEventListener("pointermove", drag);
  list.addEventListener("pointerup", drop);
  list.addEventListener("pointercancel", drop);
  list.addEventListener("keydown", key);
  list.addEventListener("click", tick);
}

// The unit of a field follows what is forced.
function followUnit(choice) {
  for (const field of document.querySelectorAll(`[data-by="${CSS.escape(choice.name)}"]`)) {
    const unit = choice.value === "current" ? field.dataset.unitCurrent : field.dataset.unitVoltage;
    if (field.dataset.unit === unit) continue;
    field.dataset.unit = unit;
    if (field.placeholder) field.placeholder = unit;
    field.dispatchEvent(new Event("input", { bubbles: true }));
  }
}

const waiting = new Map();
function soon(what, act) {
  clearTimeout(waiting.get(what));
  waiting.set(what, setTimeout(act, 200));
}

// Pins: the server says which pins a text names, and how it reads with one more.
async function pins(toggle) {
  const field = form.elements.namedItem("pins");
  const typed = field.value;
  const query = new URLSearchParams({ device: form.dataset.device, text: typed });
  if (toggle) query.set("toggle", toggle);
  const answer = await fetch("/understand/pins?" + query, { headers: { Accept: "application/json" } });
  if (!answer.ok || field.value !== typed) return;
  const said = await answer.json();
  const echo = document.getElementById("pins-echo");
  echo.textContent = said.error || said.said || "";
  echo.classList.toggle("refused", Boolean(said.error));
  if (said.error) return;
  if (toggle) field.value = said.text;
  for (const pin of document.querySelectorAll("[data-pick-pins] [data-pin]")) {
    pin.classList.toggle("picked", said.pins.includes(Number(pin.dataset.pin)));
  }
}

async function sweep(part) {
  const at = part.dataset.sweep;
  const query = new URLSearchParams();
  for (const name of ["spacing", "from", "to", "points", "list"]) query.set(name, form.elements.namedItem(at + name).value);
  if (form.elements.namedItem(at + "back").checked) query.set("back", "1");
  query.set("unit", form.elements.namedItem(at + "from").dataset.unit || "V");
  const answer = await fetch("/understand/sweep?" + query);
  if (answer.ok) part.querySelector(".sweep-preview").innerHTML = await answer.text();
}

// What only counts with a box ticked is put away without it.
function showIf(box) {
  for (const part of form.querySelectorAll(`[data-if="${CSS.escape(box.name)}"]`)) part.hidden = !box.checked;
}

if (form) {
  form.addEventListener("click", (event) => {
    const pin = event.target.closest("[data-pick-pins] a[data-pin]");
    if (!pin || event.ctrlKey || event.metaKey) return;
    event.preventDefault();
    pins(pin.dataset.pin);
  });
  form.addEventListener("input", (event) => {
    if (event.target.name === "pins") soon("pins", () => pins());
    const part = event.target.closest("[data-sweep]");
    if (part) soon(part, () => sweep(part));
  });
  form.addEventListener("change", (event) => {
    if (event.target.type === "checkbox") showIf(event.target);
    if (event.target.tagName === "SELECT") followUnit(event.target);
  });
  for (const box of form.querySelectorAll("input[type=checkbox]")) showIf(box);
}
document.body.dataset.editor = "ready";
