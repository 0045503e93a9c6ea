// Read-out and zoom for plots. The server draws a plot; here its data group is
// moved and stretched, its axes are drawn anew for what is visible, and the
// place under the pointer is turned back into values.
// Keys on a focused plot: arrows step through the points, + and - zoom, 0 resets.

const NS = "http://www.w3.org/2000/svg";
const views = new Map(); // plot id → visible part, kept when the plot is replaced
const plots = new WeakMap();

function el(name, attributes, text) {
  const e = document.createElementNS(NS, name);
  for (const [k, v] of Object.entries(attributes)) e.setAttribute(k, String(v));
  if (text !== undefined) e.textContent = text;
  return e;
}

const prefixes = { "-15": "f", "-12": "p", "-9": "n", "-6": "µ", "-3": "m", 0: "", 3: "k", 6: "M", 9: "G", 12: "T" };

function prefixOf(v, unit) {
  if (unit === "" || unit === "%" || unit === "°C" || v === 0) return 0;
  return Math.min(12, Math.max(-15, 3 * Math.floor(Math.log10(Math.abs(v) * (1 + 1e-9)) / 3)));
}

// say prints a value with the digits that its place in the drawing carries.
function say(v, resolution, unit) {
  const exp = prefixOf(v, unit);
  const places = Math.max(0, Math.min(9, Math.ceil(-Math.log10(resolution / 10 ** exp) - 1e-9)));
  const text = (v / 10 ** exp).toFixed(places).replace("-", "−");
  return unit === "" ? text : `${text} ${prefixes[exp]}${unit}`;
}

function axisOf(svg, name, from, length, down) {
  const [lo, hi, log] = svg.dataset[name].split(" ");
  return {
    lo: Number(lo), hi: Number(hi), log: log === "log", from, length, down,
    unit: svg.dataset[name + "Unit"], label: svg.dataset[name + "Label"],
  };
}

// Where along the axis, from 0 to 1, a place of the whole drawing lies; the
// same turned into the quantity.
function valueAt(axis, fraction) {
  const v = axis.lo + fraction * (axis.hi - axis.lo);
  return axis.log ? 10 ** v : v;
}

function fractionAt(axis, place) {
  const f = (place - axis.from) / axis.length;
  return axis.down ? 1 - f : f;
}

// ticks of the visible part of an axis: 1-2-5 steps, or decades.
function ticks(axis, a, b, n) {
  const lo = axis.lo + a * (axis.hi - axis.lo);
  const hi = axis.lo + b * (axis.hi - axis.lo);
  if (axis.log && hi - lo > 1.5) {
    const every = Math.max(1, Math.ceil((hi - lo) / 8));
    const out = [];
    for (let e = Math.ceil(lo); e <= hi; e += 1) {
      if (e % every === 0) out.push([(e - lo) / (hi - lo), say(10 ** e, 10 ** e, axis.unit)]);
    }
    return out;
  }
  const [l, h] = axis.log ? [10 ** lo, 10 ** hi] : [lo, hi];
  const raw = (h - l) / n;
  const p = 10 ** Math.floor(Math.log10(raw));
  const step = [1, 2, 5, 10].find((f) => raw / p <= f) * p;
  const out = [];
  for (let k = Math.ceil(l / step - 1e-9); k <= h / step + 1e-9 && out.length < 40; k += 1) {
    const v = k * step;
    const at = axis.log ? (Math.log10(v) - lo) / (hi - lo) : (v - lo) / (hi - lo);
    out.push([at, v === 0 ? `0 ${axis.unit}` : say(v, step, axis.unit)]);
  }
  return out;
}

class Plot {
  constructor(svg) {
    this.svg = svg;
    [this.left, this.top, this.width, this.height] = svg.dataset.area.split(" ").map(Number);
    this.x = axisOf(svg, "x", this.left, this.width, false);
    this.y = axisOf(svg, "y", this.top, this.height, true);
    this.data = svg.querySelector(".plot-data");
    this.grid = svg.querySelector(".plot-grid");
    this.labels = svg.querySelector(".plot-ticks");
    this.before = { grid: this.grid.innerHTML, labels: this.labels.innerHTML };
    this.readout = svg.parentElement.querySelector("[data-readout]");
    this.cross = svg.appendChild(el("path", { class: "plot-cross", d: "" }));
    this.key = `${svg.dataset.plot} ${svg.dataset.xLabel} ${svg.dataset.yLabel}`;
    this.at = null; // index of the point that is read out
    svg.setAttribute("tabindex", "0");
    this.listen();
    // The kept view is in values, so that it stays put while an axis grows.
    const kept = views.get(this.key);
    this.view = kept ? this.fromValues(kept) : { x0: 0, x1: 1, y0: 0, y1: 1 };
    if (kept) this.show();
  }

  fromValues(k) {
    const f = (axis, v) => (v - axis.lo) / (axis.hi - axis.lo);
    return { x0: f(this.x, k.x0), x1: f(this.x, k.x1), y0: f(this.y, k.y0), y1: f(this.y, k.y1) };
  }

  points() {
    if (this.found) return this.found;
    this.found = [];
    for (const series of this.data.querySelectorAll(".series")) {
      const path = [...series.querySelectorAll(".joined, .mark")];
      const from = path[0] && path[0].classList.contains("joined") ? path.slice(0, 1) : path;
      for (const p of from) {
        for (const m of p.getAttribute("d").matchAll(/[ML](-?[\d.]+) (-?[\d.]+)/g)) {
          this.found.push({ x: Number(m[1]), y: Number(m[2]), label: series.dataset.label });
        }
      }
    }
    return this.found;
  }

  whole() {
    const v = this.view;
    return v.x0 === 0 && v.x1 === 1 && v.y0 === 0 && v.y1 === 1;
  }

  // toScreen turns a place of the unzoomed drawing into the zoomed one.
  transform() {
    const v = this.view;
    const sx = 1 / (v.x1 - v.x0);
    const sy = 1 / (v.y1 - v.y0);
    return { sx, sy, tx: this.left - sx * (this.left + v.x0 * this.width), ty: this.top - sy * (this.top + (1 - v.y1) * this.height) };
  }

  show() {
    const t = this.transform();
    this.data.setAttribute("transform", `matrix(${t.sx} 0 0 ${t.sy} ${t.tx} ${t.ty})`);
    if (this.whole()) {
      views.delete(this.key);
      this.grid.innerHTML = this.before.grid;
      this.labels.innerHTML = this.before.labels;
      this.data.removeAttribute("transform");
    } else {
      const v = this.view;
      const value = (axis, f) => axis.lo + f * (axis.hi - axis.lo);
      views.set(this.key, { x0: value(this.x, v.x0), x1: value(this.x, v.x1), y0: value(this.y, v.y0), y1: value(this.y, v.y1) });
      this.axes();
    }
    this.mark();
    this.tools();
  }

  axes() {
    const v = this.view;
    let d = "";
    this.labels.replaceChildren();
    for (const [f, text] of ticks(this.x, v.x0, v.x1, 5)) {
      const x = this.left + f * this.width;
      d += `M${x} ${this.top}v${this.height}`;
      this.labels.append(el("text", { "text-anchor": "middle", x, y: this.top + this.height + 19 }, text));
    }
    for (const [f, text] of ticks(this.y, v.y0, v.y1, 6)) {
      const y = this.top + (1 - f) * this.height;
      d += `M${this.left} ${y}h${this.width}`;
      this.labels.append(el("text", { "text-anchor": "end", x: this.left - 4, y: y + 4.5 }, text));
    }
    this.grid.replaceChildren(el("path", { class: "major", d }));
  }

  tools() {
    let box = this.svg.parentElement.querySelector(".plot-tools");
    if (this.whole()) {
      if (box) box.remove();
      return;
    }
    if (box) return;
    box = document.createElement("p");
    box.className = "plot-tools";
    const reset = document.createElement("button");
    reset.type = "button";
    reset.className = "button small";
    reset.textContent = "Whole plot";
    reset.addEventListener("click", () => { this.reset(); this.svg.focus(); });
    box.append(reset);
    this.svg.before(box);
  }

  reset() {
    this.view = { x0: 0, x1: 1, y0: 0, y1: 1 };
    this.show();
  }

  // zoom about a place, given as fractions of what is visible.
  zoom(factor, fx = 0.5, fy = 0.5) {
    const v = this.view;
    const w = Math.min(1, (v.x1 - v.x0) * factor);
    const h = Math.min(1, (v.y1 - v.y0) * factor);
    if (w < 1e-4 || h < 1e-4) return;
    const x0 = Math.min(Math.max(v.x0 + (v.x1 - v.x0 - w) * fx, 0), 1 - w);
    const y0 = Math.min(Math.max(v.y0 + (v.y1 - v.y0 - h) * fy, 0), 1 - h);
    this.view = { x0, x1: x0 + w, y0, y1: y0 + h };
    this.show();
  }

  zoomTo(a, b) {
    const v = this.view;
    const fx = [a.x, b.x].map((p) => v.x0 + fractionAt(this.x, p) * (v.x1 - v.x0)).sort((p, q) => p - q);
    const fy = [a.y, b.y].map((p) => v.y0 + fractionAt(this.y, p) * (v.y1 - v.y0)).sort((p, q) => p - q);
    const clamp = (f) => Math.min(1, Math.max(0, f));
    this.view = { x0: clamp(fx[0]), x1: clamp(fx[1]), y0: clamp(fy[0]), y1: clamp(fy[1]) };
    if (this.view.x1 - this.view.x0 < 1e-4 || this.view.y1 - this.view.y0 < 1e-4) this.view = v;
    this.show();
  }

  place(event) {
    const m = this.svg.getScreenCTM().inverse();
    const p = new DOMPoint(event.clientX, event.clientY).matrixTransform(m);
    const right = this.left + this.width;
    const bottom = this.top + this.height;
    return { x: Math.min(Math.max(p.x, this.left), right), y: Math.min(Math.max(p.y, this.top), bottom), inside: p.x >= this.left && p.x <= right && p.y >= this.top && p.y <= bottom };
  }

  nearest(place) {
    const t = this.transform();
    let best = null;
    let least = Infinity;
    this.points().forEach((p, i) => {
      const dx = p.x * t.sx + t.tx - place.x;
      const dy = p.y * t.sy + t.ty - place.y;
      const d = dx * dx + dy * dy * 0.25; // what lies above or below counts as nearer
      if (d < least) { least = d; best = i; }
    });
    this.at = best;
    this.mark();
  }

  mark() {
    const p = this.at === null ? null : this.points()[this.at];
    if (!p) {
      this.cross.setAttribute("d", "");
      this.readout.textContent = "";
      return;
    }
    const t = this.transform();
    const x = p.x * t.sx + t.tx;
    const y = p.y * t.sy + t.ty;
    this.cross.setAttribute("d", `M${this.left} ${y}h${this.width}M${x} ${this.top}v${this.height}`);
    const parts = [this.read(this.x, p.x), this.read(this.y, p.y)];
    this.readout.textContent = (p.label ? p.label + ": " : "") + parts.join(", ");
  }

  read(axis, place) {
    const f = fractionAt(axis, place);
    const v = valueAt(axis, f);
    const step = 0.01 / axis.length; // places are drawn to a hundredth
    const resolution = Math.abs(valueAt(axis, f + step) - v) || 1e-15;
    const zero = Math.abs(v) < resolution;
    return `${axis.label} ${say(zero ? 0 : v, 10 ** Math.ceil(Math.log10(resolution) - 1e-9), axis.unit)}`;
  }

  listen() {
    const svg = this.svg;
    let start = null;
    let drag = null;
    svg.addEventListener("pointerdown", (event) => {
      const p = this.place(event);
      if (event.button !== 0 || !p.inside || event.pointerType === "touch") return;
      start = p;
      svg.setPointerCapture(event.pointerId);
    });
    svg.addEventListener("pointermove", (event) => {
      const p = this.place(event);
      if (!start) {
        if (p.inside) this.nearest(p);
        return;
      }
      if (!drag) drag = svg.appendChild(el("rect", { class: "plot-drag" }));
      drag.setAttribute("x", Math.min(p.x, start.x));
      drag.setAttribute("y", Math.min(p.y, start.y));
      drag.setAttribute("width", Math.abs(p.x - start.x));
      drag.setAttribute("height", Math.abs(p.y - start.y));
    });
    const end = (event) => {
      const from = start;
      start = null;
      if (drag) drag.remove();
      drag = null;
      if (!from || event.type === "pointercancel") return;
      const p = this.place(event);
      if (Math.abs(p.x - from.x) > 6 && Math.abs(p.y - from.y) > 6) this.zoomTo(from, p);
    };
    svg.addEventListener("pointerup", end);
    svg.addEventListener("pointercancel", end);
    svg.addEventListener("pointerleave", () => { if (!start) { this.at = null; this.mark(); } });
    svg.addEventListener("dblclick", () => this.reset());
    // The wheel zooms only a plot that has the focus, or with Ctrl: otherwise
    // it scrolls the page, as it does everywhere else.
    svg.addEventListener("wheel", (event) => {
      if (!event.ctrlKey && document.activeElement !== svg) return;
      event.preventDefault();
      const p = this.place(event);
      this.zoom(event.deltaY > 0 ? 1.25 : 0.8, fractionAt(this.x, p.x), fractionAt(this.y, p.y));
    }, { passive: false });
    svg.addEventListener("keydown", (event) => this.press(event));
  }

  press(event) {
    const n = this.points().length;
    const step = { ArrowRight: 1, ArrowLeft: -1, PageDown: 20, PageUp: -20 }[event.key];
    if (step && n > 0) {
      this.at = this.at === null ? 0 : (this.at + step + n) % n;
      this.readout.setAttribute("aria-live", "polite");
      this.mark();
    } else if (event.key === "+" || event.key === "=") this.zoom(0.8);
    else if (event.key === "-") this.zoom(1.25);
    else if (event.key === "0" || event.key === "Escape") this.reset();
    else return;
    event.preventDefault();
  }
}

function adopt(root) {
  for (const svg of root.querySelectorAll("svg[data-plot]")) {
    if (!plots.has(svg)) plots.set(svg, new Plot(svg));
  }
}

adopt(document);
document.addEventListener("ohmkeep:replaced", (event) => adopt(event.target));
