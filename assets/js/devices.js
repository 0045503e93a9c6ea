// What editors of documents gain from a script: a grid is filled by keyboard
// and by pasting a block, and what the server makes of the form is drawn anew
// while it is filled. The form stays the only state; without the script its
// buttons do the same.

const cells = "input:not([type=hidden]), select";
const inGrid = "[data-grid] td input:not([type=hidden]), [data-grid] td select";

function place(cell) {
  const row = cell.closest("tr");
  const rows = [...row.closest("tbody").rows].filter((r) => !r.classList.contains("row-problem"));
  return { rows, row: rows.indexOf(row), column: cell.closest("td").cellIndex };
}

function cellAt(rows, row, column) {
  const r = rows[row];
  return r && r.cells[column] ? r.cells[column].querySelector(cells) : null;
}

// Enter and the arrows go up and down a column; a choice keeps its arrows.
document.addEventListener("keydown", (event) => {
  const cell = event.target.closest ? event.target.closest(inGrid) : null;
  if (!cell || event.ctrlKey || event.metaKey || event.altKey || event.isComposing) return;
  const up = event.key === "ArrowUp" || (event.key === "Enter" && event.shiftKey);
  const down = event.key === "ArrowDown" || (event.key === "Enter" && !event.shiftKey);
  if (!(up || down) || (cell.tagName === "SELECT" && event.key !== "Enter")) return;
  event.preventDefault();
  const { rows, row, column } = place(cell);
  const next = cellAt(rows, row + (up ? -1 : 1), column);
  if (!next) return;
  next.focus();
  if (next.select) next.select();
});

// Enter never sends the form from a grid, however the key is made.
document.addEventListener("keypress", (event) => {
  if (event.key === "Enter" && event.target.closest && event.target.closest(inGrid)) event.preventDefault();
});

// A new row waits under the last one as soon as something stands in it.
document.addEventListener("input", (event) => {
  const cell = event.target.closest("[data-grid] tbody td > *");
  if (cell && cell.value !== "") ensureRowAfter(cell.closest("tr"));
});

function ensureRowAfter(row) {
  const body = row.closest("tbody");
  const rows = [...body.rows].filter((r) => !r.classList.contains("row-problem"));
  if (row !== rows[rows.length - 1] || rows.length >= most(body, Infinity)) return rows;
  const next = row.cloneNode(true);
  for (const cell of next.querySelectorAll(cells)) {
    cell.id = cell.id.replace(/-(\d+)-(?=[^-]*$)/, (_, n) => `-${Number(n) + 1}-`);
    cell.removeAttribute("aria-invalid");
    cell.removeAttribute("aria-describedby");
    if (cell.tagName === "SELECT") cell.selectedIndex = [...cell.options].findIndex((o) => o.value === "" || o.value === "no connect");
    else cell.value = "";
  }
  for (const button of next.querySelectorAll("button")) button.remove();
  body.append(next);
  return [...rows, next];
}

// most is how many rows a grid may have, where it says so.
function most(body, otherwise) {
  return Number(body.closest("[data-grid]").dataset.grid) || otherwise;
}

const mostPasted = 48;

// A block from a spreadsheet fills cells to the right and down.
document.addEventListener("paste", (event) => {
  const cell = event.target.closest ? event.target.closest("[data-grid] tbody td > *") : null;
  const text = event.clipboardData ? event.clipboardData.getData("text/plain").replace(/\r\n?/g, "\n").replace(/\n+$/, "") : "";
  if (!cell || !/[\t\n]/.test(text)) return;
  event.preventDefault();
  let { rows, row, column } = place(cell);
  const lines = text.split("\n");
  for (let i = 0; i < lines.length && row + i < most(cell.closest("tbody"), mostPasted); i++) {
    lines[i].split("\t").forEach((value, j) => {
      const into = cellAt(rows, row + i, column + j);
      if (into) put(into, value.trim());
    });
    rows = ensureRowAfter(rows[row + i]);
  }
  cell.dispatchEvent(new Event("change", { bubbles: true }));
});

function put(cell, value) {
  if (cell.tagName !== "SELECT") {
    cell.value = value;
    return;
  }
  const wanted = value.toLowerCase();
  const option = [...cell.options].find((o) => o.value.toLowerCase() === wanted || o.textContent.trim().toLowerCase() === wanted);
  if (option) cell.value = option.value;
}

// A form marked data-look asks the server what it makes of it after each
// change, and takes over the parts of the answer that are marked data-part.
let asked = 0;
let waiting = 0;

document.addEventListener("change", (event) => {
  const form = event.target.closest("form[data-look]");
  if (!form) return;
  clearTimeout(waiting);
  waiting = setTimeout(() => look(form), 60);
});

async function look(form) {
  const mine = ++asked;
  const body = new URLSearchParams(new FormData(form));
  body.set("do", "look");
  try {
    const answer = await fetch(form.action, { method: "POST", body, headers: { Accept: "text/html" } });
    if (mine !== asked || !answer.headers.get("Content-Type").startsWith("text/html")) return;
    takeOver(new DOMParser().parseFromString(await answer.text(), "text/html"));
    form.dataset.looked = String(mine);
  } catch {
    // The server cannot be reached: what stands on the page stays, and saving will say so.
  }
}

function takeOver(page) {
  for (const part of document.querySelectorAll("[data-part]")) {
    const now = page.getElementById(part.id);
    if (!now || now.outerHTML === part.outerHTML) continue;
    const focused = part.contains(document.activeElement) ? document.activeElement.id : "";
    part.replaceWith(now);
    if (focused) document.getElementById(focused)?.focus();
  }
  document.dispatchEvent(new Event("ohmkeep:looked"));
}
