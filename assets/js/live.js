// Keeps a page up to date. The server sends frames with freshly rendered
// parts; each replaces the element with the same id. Focus, scroll positions
// and what the reader has opened stay as they are. After a lost connection the
// page asks for everything since the last frame it has seen.

const body = document.body;
const firstWait = 400; // ms
const longestWait = 15000;

// A page without a socket of its own has its head kept up to date by another.
const own = Boolean(body.dataset.live);
const path = body.dataset.live || body.dataset.strip;

let seq = Number(body.dataset.seq || 0);
let wait = firstWait;
let socket = null;
let timer = 0;
let over = false;
let leaving = false; // another page has been asked for

// shown is how each <details> came, by id; chosen are those that the reader
// has opened or closed since, which stay as the reader left them.
const shown = new Map();
const chosen = new Set();

function say(text) {
  const line = document.getElementById("connection");
  if (line && line.textContent !== text) line.textContent = text;
}

function address() {
  const url = new URL(path, location.href);
  url.protocol = location.protocol === "https:" ? "wss:" : "ws:";
  url.searchParams.set("since", String(seq));
  return url;
}

// ready tells tests and styles how the page's own socket stands.
function ready(word) {
  if (own) body.dataset.ready = word;
}

// The buttons about control are shown on the pages of its holder.
function showHolders() {
  for (const form of document.querySelectorAll("form[data-holder]")) form.hidden = form.dataset.holder !== body.dataset.key;
}

function connect() {
  clearTimeout(timer);
  socket = new WebSocket(address());
  socket.addEventListener("open", () => {
    wait = firstWait;
    say("");
    ready("live");
  });
  socket.addEventListener("message", (event) => take(JSON.parse(event.data)));
  socket.addEventListener("close", (event) => closed(event.code));
}

// closed decides when to come back: at once when the server dropped this page
// because it fell behind (1013), later when the server stops (1001) or the
// line is gone. The random part keeps many pages from returning together.
function closed(code) {
  socket = null;
  if (over) {
    ready("done");
    return;
  }
  if (code === 4401) { // the access of this page was taken back: it asks to sign in
    over = true;
    ready("ended");
    // A form that takes it back itself is on its way to the next page.
    setTimeout(() => location.reload(), leaving ? 3000 : 0);
    return;
  }
  ready("lost");
  const behind = code === 1013;
  if (!behind) {
    say(code === 1001 ? "The server is stopping. This page comes back when it does." : "Connection lost — reconnecting");
  }
  timer = setTimeout(connect, (behind ? 50 : wait) * (0.5 + Math.random()));
  wait = Math.min(wait * 1.8, longestWait);
}

// While a pointer is down, frames wait: an element that is replaced between
// press and release never gets its click.
let held = null;
addEventListener("pointerdown", () => { held = held || []; }, true);
for (const end of ["pointerup", "pointercancel", "blur"]) {
  addEventListener(end, () => setTimeout(letGo), true); // after the click
}

function letGo() {
  const waiting = held || [];
  held = null;
  for (const frame of waiting) take(frame);
}

function take(frame) {
  if (held) {
    held.push(frame);
    return;
  }
  if (frame.reload) {
    over = true;
    location.reload();
    return;
  }
  for (const [id, html] of Object.entries(frame.parts || {})) replace(id, html);
  if (frame.seq) {
    seq = frame.seq;
    body.dataset.seq = String(seq);
  }
  document.dispatchEvent(new CustomEvent("ohmkeep:updated"));
  if (!frame.final) return;
  over = true;
  document.dispatchEvent(new CustomEvent("ohmkeep:ended"));
}

function replace(id, html) {
  const old = document.getElementById(id);
  if (!old || refused(old, html)) return;
  const holder = document.createElement("template");
  const drawn = old instanceof SVGElement; // a piece of a drawing is parsed as one
  holder.innerHTML = drawn ? `<svg>${html}</svg>` : html;
  const fresh = drawn ? holder.content.firstElementChild.firstElementChild : holder.content.firstElementChild;
  if (!fresh) return;
  const kept = remember(old);
  if ("measurement" in old.dataset && !("follow" in old.dataset)) fresh.removeAttribute("data-follow");
  old.replaceWith(fresh);
  restore(fresh, kept);
  fresh.dispatchEvent(new CustomEvent("ohmkeep:replaced", { bubbles: true }));
}

// A reader who has chosen a measurement keeps it while others are at work.
function refused(old, html) {
  const plot = document.getElementById("run-plot");
  if (!plot || "follow" in plot.dataset || !("measurement" in old.dataset)) return false;
  const fresh = /data-measurement="(\d+)"/.exec(html);
  return fresh !== null && fresh[1] !== plot.dataset.measurement;
}

function remember(old) {
  const kept = { folds: [], scroll: [], focus: null };
  for (const d of folds(old)) {
    if (d.open !== shown.get(d.id)) chosen.add(d.id);
    if (chosen.has(d.id)) kept.folds.push([d.id, d.open]);
  }
  for (const s of old.querySelectorAll("[data-scroll]")) {
    if (s.scrollLeft || s.scrollTop) kept.scroll.push([s.dataset.scroll, s.scrollLeft, s.scrollTop]);
  }
  const active = document.activeElement;
  if (active && old.contains(active)) kept.focus = selector(active);
  return kept;
}

function folds(root) {
  const inside = [...root.querySelectorAll("details[id]")];
  return root.matches("details[id]") ? [root, ...inside] : inside;
}

function arrived(root) {
  for (const d of folds(root)) shown.set(d.id, d.open);
}

function selector(element) {
  if (element.id) return "#" + CSS.escape(element.id);
  if (element.dataset.scroll) return `[data-scroll="${CSS.escape(element.dataset.scroll)}"]`;
  if (element.tagName === "SUMMARY" && element.parentElement.id) return `#${CSS.escape(element.parentElement.id)} > summary`;
  return null;
}

function restore(fresh, kept) {
  for (const [id, open] of kept.folds) {
    const d = folds(fresh).find((d) => d.id === id);
    if (d) d.open = open;
  }
  arrived(fresh);
  for (const [name, x, y] of kept.scroll) {
    const s = fresh.querySelector(`[data-scroll="${CSS.escape(name)}"]`);
    if (s) s.scrollTo(x, y);
  }
  if (!kept.focus) return;
  const target = fresh.matches(kept.focus) ? fresh : fresh.querySelector(kept.focus);
  if (target) target.focus({ preventScroll: true });
}

// The list of measurements comes marked for those who follow the run.
function markChosen() {
  const plot = document.getElementById("run-plot");
  if (!plot) return;
  for (const a of document.querySelectorAll("#run-progress a[data-measurement]")) {
    if (a.dataset.measurement === plot.dataset.measurement) a.setAttribute("aria-current", "true");
    else a.removeAttribute("aria-current");
  }
}

showHolders();
document.addEventListener("ohmkeep:updated", showHolders);
if (!own) body.dataset.ready = "still";
if (path) {
  arrived(body);
  document.addEventListener("ohmkeep:updated", markChosen);
  document.addEventListener("visibilitychange", () => {
    if (!document.hidden && !socket && !over) connect();
  });
  addEventListener("beforeunload", () => { leaving = true; });
  addEventListener("pagehide", () => { over = true; if (socket) socket.close(); });
  addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });
  connect();
}
