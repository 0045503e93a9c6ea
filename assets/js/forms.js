// What forms gain from a script: stop and make-safe act at once without
// leaving the page, a form is sent only once, and a quantity says how it is
// understood. Without the script every form still works as a plain post.

// A form marked data-at-once is posted in the background; keepalive lets the
// request outlive the page. Where that fails, the form is posted plainly.
document.addEventListener("submit", (event) => {
  const form = event.target;
  if (event.defaultPrevented || !(form instanceof HTMLFormElement)) return;
  if ("atOnce" in form.dataset) {
    event.preventDefault();
    atOnce(form);
  } else if ("once" in form.dataset) {
    once(event, form);
  }
});

async function atOnce(form) {
  const button = form.querySelector("button");
  button.setAttribute("aria-disabled", "true");
  try {
    const answer = await fetch(form.action, {
      method: "POST", keepalive: true, redirect: "manual",
      headers: { "Content-Type": "application/x-www-form-urlencoded", Accept: "text/html" },
      body: new URLSearchParams(new FormData(form)),
    });
    // A redirect back to a page is how a plain post is answered: it is done.
    if (answer.type !== "opaqueredirect" && !answer.ok) throw new Error(String(answer.status));
    document.body.dataset.acted = form.dataset.atOnce;
    if (!document.body.dataset.live) location.reload();
  } catch {
    form.submit();
  } finally {
    button.removeAttribute("aria-disabled");
  }
}

function once(event, form) {
  if (form.dataset.sent) {
    event.preventDefault();
    return;
  }
  form.dataset.sent = "yes";
  for (const b of form.querySelectorAll("button[type=submit]")) b.setAttribute("aria-disabled", "true");
}

// Coming back by the back button finds the forms ready again.
addEventListener("pageshow", () => {
  for (const form of document.querySelectorAll("form[data-sent]")) {
    delete form.dataset.sent;
    for (const b of form.querySelectorAll("button")) b.removeAttribute("aria-disabled");
  }
});

// Quantities: ask the server how it reads what is typed, as it will on submit.
let canAsk = true;
const waiting = new WeakMap();

document.addEventListener("input", (event) => {
  const field = event.target;
  if (!canAsk || !(field instanceof HTMLInputElement) || !field.dataset.unit) return;
  clearTimeout(waiting.get(field));
  waiting.set(field, setTimeout(() => understand(field), 250));
});

async function understand(field) {
  const text = field.value.trim();
  const line = echoOf(field);
  if (text === "") {
    line.textContent = "";
    return;
  }
  const query = new URLSearchParams({ text, unit: field.dataset.unit });
  try {
    const answer = await fetch("/understand?" + query, { headers: { Accept: "application/json" } });
    if (answer.status === 404) {
      canAsk = false;
      return;
    }
    const said = await answer.json();
    if (field.value.trim() !== text) return;
    line.textContent = whose(field) + (said.error || (said.text ? "= " + said.text : ""));
    line.classList.toggle("refused", Boolean(said.error));
  } catch {
    line.textContent = "";
  }
}

// whose names the field where many share one line.
function whose(field) {
  return field.dataset.echo ? field.getAttribute("aria-label") + ": " : "";
}

function echoOf(field) {
  const shared = field.dataset.echo && document.getElementById(field.dataset.echo);
  if (shared) return shared;
  let line = field.parentElement.querySelector(".echo");
  if (!line) {
    line = document.createElement("p");
    line.className = "echo";
    line.id = field.id + "-echo";
    line.setAttribute("aria-live", "polite");
    field.after(line);
    field.setAttribute("aria-describedby", [field.getAttribute("aria-describedby"), line.id].filter(Boolean).join(" "));
  }
  return line;
}

// What only makes sense for one choice is put away for the others.
function showFor(select) {
  for (const part of document.querySelectorAll(`[data-for="${CSS.escape(select.name)}"]`)) {
    part.hidden = !part.dataset.when.split(" ").includes(select.value);
  }
}

function watchChoices() {
  const names = new Set([...document.querySelectorAll("[data-for]")].map((p) => p.dataset.for));
  for (const name of names) {
    for (const control of document.querySelectorAll(`[name="${CSS.escape(name)}"]`)) {
      control.addEventListener("change", () => showFor(control));
      if (control.type !== "radio" || control.checked) showFor(control);
    }
  }
}

// What could not be sent while the bench was busy can be once the page's
// stream has ended.
document.addEventListener("ohmkeep:ended", () => {
  for (const said of document.querySelectorAll("[data-busy]")) said.remove();
  for (const b of document.querySelectorAll("button[data-when-idle]")) b.disabled = false;
  for (const part of document.querySelectorAll("[data-when-ended]")) part.hidden = false;
});

// The first field that was refused gets the focus after a redisplay.
const wrong = document.querySelector('[aria-invalid="true"]');
if (wrong) wrong.focus();
watchChoices();
