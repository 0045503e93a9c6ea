// Moves pins about the socket: by dragging, by tapping pin and contact, or by
// keyboard. All it does is to fill in the fields beside the drawing; the server
// draws the socket anew from them.

const socket = () => document.querySelector("#map .socket");
const field = (pin) => document.querySelector(`[data-pin-contact="${CSS.escape(pin)}"]`);
const movable = () => document.querySelector("[data-drag-help]") !== null;

let moving = null; // the number of the pin in hand
let target = 0; // the contact under it
let byKey = false;

function prepare() {
  const drawing = socket();
  if (!drawing || !movable()) return;
  drawing.dataset.movable = "";
  for (const pin of drawing.querySelectorAll("[data-pin]")) {
    pin.setAttribute("tabindex", "0");
    pin.setAttribute("role", "button");
  }
}

function say(text) {
  const line = document.getElementById("drag-said");
  if (line) line.textContent = text;
}

function name(pin) {
  const input = field(pin);
  return input ? input.getAttribute("aria-label").replace("contact of ", "") : `pin ${pin}`;
}

function pickUp(pin, keyboard) {
  moving = pin;
  byKey = keyboard;
  target = Number(field(pin).value) || 1;
  socket().querySelector(`[data-pin="${CSS.escape(pin)}"]`)?.classList.add("picked");
  if (keyboard) aim(target);
}

function aim(contact) {
  target = contact;
  const drawing = socket();
  for (const c of drawing.querySelectorAll(".target")) c.classList.remove("target");
  drawing.querySelector(`[data-contact="${contact}"]`)?.classList.add("target");
  if (!byKey) return;
  const other = [...document.querySelectorAll("[data-pin-contact]")].find((f) => Number(f.value) === contact && f.dataset.pinContact !== moving);
  say(`${name(moving)} to contact ${contact}${other ? ", where " + name(other.dataset.pinContact) + " sits" : ""}`);
}

function letGo() {
  const drawing = socket();
  delete drawing.dataset.moving;
  for (const c of drawing.querySelectorAll(".target, .picked")) c.classList.remove("target", "picked");
  moving = null;
}

// putDown writes the contact into the pin's field; a pin that sits there takes
// the place that became free.
function putDown(contact) {
  const pin = moving;
  const own = field(pin);
  const from = own.value;
  letGo();
  if (!contact || String(contact) === from.trim()) return;
  for (const other of document.querySelectorAll("[data-pin-contact]")) {
    if (other !== own && Number(other.value) === contact) other.value = from;
  }
  own.value = String(contact);
  say(`${name(pin)} sits on contact ${contact}`);
  own.dispatchEvent(new Event("change", { bubbles: true }));
}

function contactUnder(event) {
  const hit = document.elementsFromPoint(event.clientX, event.clientY).map((e) => e.closest("#map [data-contact]")).find(Boolean);
  return hit ? Number(hit.dataset.contact) : 0;
}

let pressed = null;

document.addEventListener("pointerdown", (event) => {
  const pin = event.target.closest("#map .socket [data-pin]");
  if (!pin || !movable() || event.button !== 0 || moving) return;
  pressed = { pin: pin.dataset.pin, x: event.clientX, y: event.clientY, mouse: event.pointerType !== "touch" };
});

document.addEventListener("pointermove", (event) => {
  if (!pressed || !pressed.mouse) return;
  if (!moving) {
    if (Math.hypot(event.clientX - pressed.x, event.clientY - pressed.y) < 5) return;
    pickUp(pressed.pin, false);
    socket().dataset.moving = "";
  }
  const contact = contactUnder(event);
  if (contact) aim(contact);
});

document.addEventListener("pointerup", (event) => {
  const dragged = pressed && moving === pressed.pin && socket() && "moving" in socket().dataset;
  pressed = null;
  if (dragged) {
    putDown(contactUnder(event));
    swallow = true;
    setTimeout(() => { swallow = false; }, 0);
  }
});

document.addEventListener("pointercancel", () => {
  pressed = null;
  if (moving && !byKey) letGo();
});

let swallow = false; // the click that ends a drag

// A tap picks a pin, a second one says where it goes.
document.addEventListener("click", (event) => {
  const inside = event.target.closest ? event.target.closest("#map .socket") : null;
  if (!inside || !movable()) return;
  if (swallow) return;
  if (moving) {
    putDown(contactUnder(event));
    return;
  }
  const pin = event.target.closest("[data-pin]");
  if (pin) pickUp(pin.dataset.pin, false);
});

function neighbour(contact, key) {
  const all = Number(socket().dataset.contacts);
  const half = Math.ceil(all / 2);
  const left = contact <= half;
  const down = left ? contact + 1 : contact - 1;
  const up = left ? contact - 1 : contact + 1;
  const across = all + 1 - contact;
  const next = { ArrowDown: down, ArrowUp: up, ArrowLeft: left ? contact : across, ArrowRight: left ? across : contact }[key];
  const sameRow = key === "ArrowLeft" || key === "ArrowRight" || (next <= half) === left;
  return next >= 1 && next <= all && sameRow ? next : contact;
}

document.addEventListener("keydown", (event) => {
  const pin = event.target.closest ? event.target.closest("#map .socket [data-pin]") : null;
  if (!pin || !movable()) return;
  if (moving && event.key.startsWith("Arrow")) {
    aim(neighbour(target, event.key));
  } else if (event.key === "Enter" || event.key === " ") {
    if (moving) putDown(target);
    else pickUp(pin.dataset.pin, true);
  } else if (event.key === "Escape" && moving) {
    letGo();
    say("left where it was");
  } else {
    return;
  }
  event.preventDefault();
});

document.addEventListener("ohmkeep:looked", prepare);
prepare();
for (const help of document.querySelectorAll("[data-drag-help]")) help.hidden = false;
