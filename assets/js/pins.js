// Picks pins on the package drawing of the manual page: a click or Enter puts
// the pin into the form instead of loading the page again. The first pick is
// the pin to measure, a second one is what it is measured against; picking a
// pin again takes it out.

const drawing = document.querySelector("[data-pick]");
const form = document.getElementById("manual-form");

function select(name) { return form.elements.namedItem(name); }

function mark() {
  const pin = select("pin").value;
  const against = select("against").value;
  for (const p of document.querySelectorAll("[data-pick] [data-pin]")) {
    const picked = p.dataset.pin === pin || p.dataset.pin === against;
    p.classList.toggle("picked", picked);
  }
  const said = document.getElementById("picked");
  if (!said) return;
  const name = (field) => field.selectedOptions[0] ? field.selectedOptions[0].textContent : "";
  said.textContent = pin === "" ? "No pin picked." : `${name(select("pin"))} against ${name(select("against"))}.`;
}

function pick(number) {
  const pin = select("pin");
  const against = select("against");
  if (pin.value === number) pin.value = "";
  else if (against.value === number) against.value = "0";
  else if (pin.value === "") pin.value = number;
  else against.value = number;
  mark();
}

if (drawing && form) {
  document.addEventListener("click", (event) => {
    const target = event.target instanceof Element ? event.target.closest("[data-pick] a[data-pin]") : null;
    if (!target || event.ctrlKey || event.metaKey || event.shiftKey) return;
    event.preventDefault();
    pick(target.dataset.pin);
  });
  form.addEventListener("change", mark);
  document.addEventListener("ohmkeep:replaced", mark);
}
