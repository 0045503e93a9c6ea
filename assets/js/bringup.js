// The bring-up page: messages are sent without leaving the page and recalled
// with the arrow keys, what a message means is said before it is sent, the log
// of every byte is followed, and codes are converted while they are typed.
// Without the script every form still works as a plain post.

const mostRows = 500; // of the log on the page
const logEvery = 500; // ms
const typedWait = 200; // ms

// The console: the page that answers a message holds the new list.
document.addEventListener("submit", (event) => {
  const form = event.target;
  if (form.matches("form[data-console]")) {
    event.preventDefault();
    send(form);
  }
}, true);

let sending = false;

async function send(form) {
  if (sending) return;
  sending = true;
  const button = form.querySelector("button[type=submit]");
  button.setAttribute("aria-disabled", "true");
  try {
    const answer = await fetch(form.action, { method: "POST", body: new URLSearchParams(new FormData(form)), headers: { Accept: "text/html" } });
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const fresh = page.getElementById("console-part");
    if (!fresh) {
      form.submit(); // something is to be confirmed first, on a page of its own
      return;
    }
    document.getElementById("console-part").replaceWith(document.adoptNode(fresh));
    recalled = -1;
    const field = document.getElementById("say-message");
    if (field) field.focus();
  } catch {
    form.submit();
  } finally {
    sending = false;
    button.removeAttribute("aria-disabled");
  }
}

// Earlier messages, newest first, each once.
function earlier() {
  return [...new Set([...document.querySelectorAll("#said [data-sent]")].map((li) => li.dataset.sent))];
}

let recalled = -1;
let typed = "";

document.addEventListener("keydown", (event) => {
  const field = event.target;
  if (field.id !== "say-message" || (event.key !== "ArrowUp" && event.key !== "ArrowDown")) return;
  const list = earlier();
  if (recalled < 0) typed = field.value;
  const to = Math.max(-1, Math.min(list.length - 1, recalled + (event.key === "ArrowUp" ? 1 : -1)));
  if (to === recalled) return;
  event.preventDefault();
  recalled = to;
  field.value = to < 0 ? typed : list[to];
  field.setSelectionRange(field.value.length, field.value.length);
  mean(field);
});

// What a message means, as the server reads it.
let meaningTimer = 0;
document.addEventListener("input", (event) => {
  if (event.target.id === "say-message") {
    recalled = -1;
    clearTimeout(meaningTimer);
    meaningTimer = setTimeout(() => mean(event.target), typedWait);
  }
  if (event.target.form && event.target.form.dataset.codes) {
    clearTimeout(meaningTimer);
    meaningTimer = setTimeout(() => convert(event.target.form, event.target), typedWait);
  }
});

async function mean(field) {
  const place = document.getElementById("say-means");
  const text = field.value.trim();
  if (!place) return;
  if (text === "") {
    place.replaceChildren();
    return;
  }
  try {
    const said = await (await fetch("/bench/bring-up/meaning?" + new URLSearchParams({ message: text }))).json();
    if (field.value.trim() !== text) return;
    const lines = said.means.map((m) => line(m.text, m.wrong ? "wrong-word" : ""));
    if (!said.asks) lines.push(line("It does more than ask: the bench is made safe afterwards.", "does-more"));
    place.replaceChildren(...lines);
  } catch {
    place.replaceChildren();
  }
}

function line(text, name) {
  const p = document.createElement("p");
  p.textContent = text;
  p.className = name;
  return p;
}

// Codes: what is typed last decides; the other field follows.
async function convert(form, field) {
  const query = new URLSearchParams(new FormData(form));
  const place = document.getElementById("code-answer");
  if (field.name === "value" || (field.name === "range" && !query.get("code"))) query.delete("code");
  try {
    const said = await (await fetch(form.dataset.codes + "?" + query)).json();
    if (said.error) {
      place.textContent = said.error;
    } else if (said.hex) {
      place.textContent = `${said.code} = ${said.hex} = ${said.text}` + (said.note ? "; " + said.note : "");
      if (field.name !== "code") form.elements.code.value = said.code;
      if (field.name !== "value") form.elements.value.value = said.text;
    } else {
      place.textContent = "";
    }
  } catch {
    place.textContent = "";
  }
}

// The log: rows that came since are added at the end, the oldest leave.
const log = document.getElementById("byte-log");
if (log) follow();

function follow() {
  const rows = document.getElementById("log-rows");
  const frame = log.querySelector(".log-frame");
  const state = log.querySelector("[data-log-state]");
  let last = Number(log.dataset.last);
  let paused = false;
  let busy = false;
  log.querySelector(".log-tools").hidden = false;
  frame.scrollTop = frame.scrollHeight;

  log.addEventListener("click", (event) => {
    const button = event.target.closest("button[data-log]");
    if (!button) return;
    const pressed = button.getAttribute("aria-pressed") !== "true";
    if (button.dataset.log === "clear") {
      rows.replaceChildren();
      return;
    }
    button.setAttribute("aria-pressed", String(pressed));
    if (button.dataset.log === "hex") log.classList.toggle("show-hex", pressed);
    if (button.dataset.log === "pause") {
      paused = pressed;
      state.textContent = paused ? "paused; what comes meanwhile is shown afterwards" : "";
    }
  });

  async function more() {
    if (paused || busy || document.hidden) return;
    busy = true;
    try {
      const answer = await fetch(log.dataset.more + "?after=" + last);
      if (!answer.ok) throw new Error(String(answer.status));
      const holder = document.createElement("template");
      holder.innerHTML = await answer.text();
      if (!paused) add([...holder.content.querySelectorAll("li")], Number(answer.headers.get("Ohmkeep-Last")));
      if (state.dataset.lost) {
        delete state.dataset.lost;
        state.textContent = "";
      }
    } catch {
      state.dataset.lost = "yes";
      state.textContent = "the server does not answer";
    } finally {
      busy = false;
    }
  }

  function add(fresh, newest) {
    const atEnd = frame.scrollHeight - frame.scrollTop - frame.clientHeight < 40;
    if (fresh.length > 0) {
      const gap = Number(fresh[0].dataset.n) - last - 1;
      if (last > 0 && gap > 0) {
        const said = document.createElement("li");
        said.className = "talk-gap";
        said.textContent = `${gap} events went by and are not shown`;
        rows.append(said);
      }
      rows.append(...fresh);
      while (rows.children.length > mostRows) rows.firstElementChild.remove();
    }
    last = newest;
    log.dataset.last = String(newest);
    if (atEnd) frame.scrollTop = frame.scrollHeight;
  }

  setInterval(more, logEvery);
}
