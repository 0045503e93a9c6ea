// What the editor of a dialect gains from a script: a text is tried without
// leaving the page. Without the script the page comes back whole, with what came
// of it beside the text.

let asking = false;

// Before forms.js, which would take the form as sent.
document.addEventListener("submit", (event) => {
  const button = event.submitter;
  const form = event.target;
  if (form.id !== "dialect-form" || !button || !button.value.startsWith("try:") || form.dataset.plain) return;
  event.preventDefault();
  if (!asking) tryText(form, button);
}, true);

async function tryText(form, button) {
  const name = button.value.slice("try:".length);
  const body = new URLSearchParams(new FormData(form));
  body.set("do", button.value);
  asking = true;
  button.setAttribute("aria-disabled", "true");
  try {
    const answer = await fetch(form.action, { method: "POST", body, headers: { Accept: "text/html" } });
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const came = page.getElementById("tried-" + name);
    if (!came) { // something is to be confirmed first: that is a page of its own
      form.dataset.plain = "1";
      form.requestSubmit(button);
      return;
    }
    document.getElementById(came.id).replaceWith(came);
    const strip = page.getElementById("bench-strip");
    if (strip) document.getElementById("bench-strip")?.replaceWith(strip);
    document.body.dataset.tried = name;
  } catch {
    document.getElementById("tried-" + name).textContent = "The server cannot be reached: whether the text was sent is not known.";
  } finally {
    asking = false;
    button.removeAttribute("aria-disabled");
  }
}
