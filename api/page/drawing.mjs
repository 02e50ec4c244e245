// The circuit: probes, suspects, what is proven good; moved and zoomed, and asked about part by part.
import { useEffect, useRef, useState } from "./vendor/hooks.mjs";
import * as client from "./client.mjs";
import { Bar, Cautions, Go, html } from "./html.mjs";
import { tested } from "./bench.mjs";
import { unstyled } from "./papers.mjs";
import { likelihood, minutes, price, say } from "./words.mjs";

const SVG = "http://www.w3.org/2000/svg";
const PIXELS_PER_UNIT = 1.15;
const STEP = 1.4;
const TAP_PIXELS = 8;
const GOOD_NOW = 0.005;
const GOOD_BEFORE = 0.01;
const HATCHES = [[0.5, 3], [0.2, 5], [0.05, 9]];

export function Drawing({ bench, part }) {
  const place = useRef(null);
  const view = useRef(null);
  const [svg, setSvg] = useState(null);
  const [missing, setMissing] = useState(false);
  const { version } = bench.advice; // that of the card, so that the card comes first
  const asked = bench.asked?.test ?? "";
  useEffect(() => {
    let alive = true;
    client.drawing(bench.id).then((text) => alive && setSvg(parsed(text)), (error) => {
      if (!alive) return;
      setMissing(true);
      if (error instanceof client.Away) bench.failed(error);
    });
    return () => { alive = false; };
  }, [version]);
  useEffect(() => {
    if (svg === null) return undefined;
    const shown = document.importNode(svg, true);
    place.current.replaceChildren(shown);
    dress(shown, bench);
    view.current = new View(shown, (name) => { location.hash = `#/job/${bench.id}/part/${name}`; });
    view.current.toProbe();
    let alive = true;
    proven(bench).then((good) => alive && markGood(shown, good), () => {});
    return () => { alive = false; view.current.stop(); };
  }, [svg, asked]);
  const act = (name) => () => view.current?.[name]();
  const button = (name, words, sign) => html`<button type="button" class="button tool" aria-label=${words} onClick=${act(name)}>${sign}</button>`;
  return html`<section class="drawing" aria-labelledby="drawing-title">
    <div class="drawing-head"><h2 id="drawing-title">${say("drawing")}</h2>
      <div class="tools">${button("larger", say("zoom_in"), "+")}${button("smaller", say("zoom_out"), "−")}
        <button type="button" class="button tool" onClick=${act("toProbe")}>${say("zoom_probe")}</button>
        <button type="button" class="button tool" onClick=${act("whole")}>${say("zoom_all")}</button></div></div>
    <div class="sheet" ref=${place} aria-label=${say("drawing_of")} role="group">${missing && svg === null ? say("no_drawing") : ""}</div>
    <p class="small">${say("drawing_marks")}</p>
    ${part && html`<${PartPanel} key=${`${part} ${version}`} bench=${bench} name=${part} />`}
  </section>`;
}

/** The picture without its own style sheet: the page has the rules, the policy allows no others. */
function parsed(text) {
  return new DOMParser().parseFromString(unstyled(text), "image/svg+xml").documentElement;
}

function make(name, attributes, words = "") {
  const element = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  element.textContent = words;
  return element;
}

function dress(svg, bench) {
  svg.removeAttribute("width");
  svg.removeAttribute("height");
  svg.removeAttribute("role");
  hatch(svg, bench.advice.suspects);
  if (bench.asked && bench.asked.test !== tested(bench.advice)) mark(svg, bench.asked);
  for (const group of svg.querySelectorAll("g.part")) {
    group.setAttribute("tabindex", "0");
    group.setAttribute("role", "button");
  }
}

/** Hatching beside the shade: the denser, the likelier. */
function hatch(svg, suspects) {
  const shares = new Map();
  for (const one of suspects) shares.set(one.part, (shares.get(one.part) ?? 0) + one.probability);
  const defs = svg.insertBefore(make("defs", {}), svg.firstChild);
  HATCHES.forEach(([, gap], number) => {
    const pattern = make("pattern", { id: `hatch${number}`, width: gap, height: gap, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" });
    pattern.append(make("rect", { width: gap, height: gap, fill: "#fff" }), make("rect", { width: 1.6, height: gap, fill: "#000" }));
    defs.append(pattern);
  });
  for (const group of svg.querySelectorAll("g.part")) {
    const share = shares.get(group.dataset.part) ?? 0;
    const number = HATCHES.findIndex(([least]) => share >= least);
    const box = group.querySelector(".box");
    if (number < 0) continue;
    const height = Number(box.getAttribute("height"));
    box.after(make("rect", { class: "hatch", x: 1, y: 1, width: 8, height: height - 2, fill: `url(#hatch${number})` }));
  }
}

/** Probes of a test out of turn, where the picture has those of the one proposed. */
function mark(svg, test) {
  for (const old of svg.querySelectorAll(".probe")) old.remove();
  for (const old of svg.querySelectorAll(".at")) old.classList.remove("at");
  for (const part of test.parts) svg.querySelector(`g.part[data-part="${CSS.escape(part)}"]`)?.classList.add("at");
  for (const [place, probe] of test.probes.entries()) {
    const net = svg.querySelector(`g.net[data-net="${CSS.escape(probe.net)}"]`);
    if (net === null) continue;
    const group = make("g", { class: "probe", "data-probe": place ? "black" : "red" });
    const x = net.querySelector(".probe") ? 17 : 0;
    group.append(make("circle", { cx: x, cy: 0, r: 8.5, fill: place ? "#000" : "#c00000", stroke: "#fff" }), make("text", { x, y: 4, "text-anchor": "middle", "font-size": 11, "font-weight": "bold" }, place ? "B" : "R"));
    for (const name of net.querySelectorAll(":scope > text")) name.setAttribute("x", Math.max(Number(name.getAttribute("x")), x + 11.5));
    net.append(group);
  }
}

const priors = new Map();

/** Parts that were suspect by the complaint alone and are not any more. */
async function proven(bench) {
  const { machine, complaint, findings, repairs } = bench.advice;
  if (findings.length + repairs.length === 0) return new Set();
  const key = `${machine} ${complaint}`;
  if (!priors.has(key)) priors.set(key, client.first(machine, complaint).then((told) => byPart(told.suspects)));
  const [before, now] = [await priors.get(key), byPart(bench.advice.suspects)];
  return new Set([...before].filter(([part, share]) => share >= GOOD_BEFORE && (now.get(part) ?? 0) < GOOD_NOW).map(([part]) => part));
}

function byPart(suspects) {
  const shares = new Map();
  for (const one of suspects) shares.set(one.part, (shares.get(one.part) ?? 0) + one.probability);
  return shares;
}

function markGood(svg, good) {
  for (const group of svg.querySelectorAll("g.part")) {
    if (!good.has(group.dataset.part)) continue;
    const box = group.querySelector(".box");
    const width = Number(box.getAttribute("width"));
    group.classList.add("proven");
    group.append(make("path", { class: "proven-tick", d: `M${width - 17} 9l4 5l8 -10` }));
    group.querySelector("title").textContent += `, ${say("proven_good")}`;
  }
}

/** What of the picture is seen; fingers, wheel with control, arrows and plus and minus move it. */
class View {
  constructor(svg, tapped) {
    this.svg = svg;
    this.tapped = tapped;
    const [, , width, height] = svg.getAttribute("viewBox").split(" ").map(Number);
    this.full = { x: 0, y: 0, width, height };
    this.at = { ...this.full };
    this.fingers = new Map();
    this.away = new AbortController();
    const on = (name, what) => svg.addEventListener(name, what.bind(this), { signal: this.away.signal, passive: false });
    on("pointerdown", this.down);
    on("pointermove", this.move);
    on("pointerup", this.up);
    on("pointercancel", this.lost);
    on("wheel", this.wheel);
    on("keydown", this.pressed);
  }

  stop() { this.away.abort(); }

  set(at) {
    const width = Math.min(Math.max(at.width, 160), this.full.width * 1.2);
    const height = (width * this.svg.clientHeight) / Math.max(this.svg.clientWidth, 1);
    const inside = (value, size, whole) => Math.min(Math.max(value, Math.min(0, whole - size)), Math.max(0, whole - size));
    this.at = { x: inside(at.x, width, this.full.width), y: inside(at.y, height, this.full.height), width, height };
    this.svg.setAttribute("viewBox", `${this.at.x} ${this.at.y} ${this.at.width} ${this.at.height}`);
  }

  around(x, y, width) {
    const height = (width * this.svg.clientHeight) / Math.max(this.svg.clientWidth, 1);
    this.set({ x: x - width / 2, y: y - height / 2, width });
  }

  whole() {
    const width = Math.max(this.full.width, (this.full.height * this.svg.clientWidth) / Math.max(this.svg.clientHeight, 1));
    this.around(this.full.width / 2, this.full.height / 2, width);
  }

  toProbe() {
    this.whole();
    const target = this.svg.querySelector(".probe circle, .part.at .box") ?? this.likeliest();
    if (target === null) return;
    const box = target.getBoundingClientRect();
    const point = new DOMPoint(box.x + box.width / 2, box.y + box.height / 2).matrixTransform(this.svg.getScreenCTM().inverse());
    this.around(point.x, point.y, Math.min(this.at.width, this.svg.clientWidth / PIXELS_PER_UNIT));
  }

  likeliest() {
    const marked = [...this.svg.querySelectorAll("g.part .hatch")];
    marked.sort((a, b) => a.getAttribute("fill").localeCompare(b.getAttribute("fill")));
    return marked[0] ?? this.svg.querySelector("g.part .box");
  }

  zoom(by, x = this.at.x + this.at.width / 2, y = this.at.y + this.at.height / 2) {
    const width = this.at.width / by;
    this.set({ x: x - (x - this.at.x) / by, y: y - (y - this.at.y) / by, width });
  }

  larger() { this.zoom(STEP); }
  smaller() { this.zoom(1 / STEP); }

  get scale() { return this.at.width / Math.max(this.svg.clientWidth, 1); }

  down(event) {
    this.fingers.set(event.pointerId, { x: event.clientX, y: event.clientY });
    this.begun = this.fingers.size === 1 ? { x: event.clientX, y: event.clientY, part: event.target.closest("g.part") } : null;
    this.svg.setPointerCapture(event.pointerId);
  }

  move(event) {
    const before = this.fingers.get(event.pointerId);
    if (before === undefined) return;
    event.preventDefault();
    const spread = () => { const [a, b] = [...this.fingers.values()]; return Math.hypot(a.x - b.x, a.y - b.y); };
    const wide = this.fingers.size === 2 ? spread() : 0;
    this.fingers.set(event.pointerId, { x: event.clientX, y: event.clientY });
    if (wide) return this.zoom(spread() / wide);
    return this.set({ ...this.at, x: this.at.x - (event.clientX - before.x) * this.scale, y: this.at.y - (event.clientY - before.y) * this.scale });
  }

  up(event) {
    this.fingers.delete(event.pointerId);
    const { begun } = this;
    this.begun = null;
    if (begun?.part && Math.hypot(event.clientX - begun.x, event.clientY - begun.y) < TAP_PIXELS) this.tapped(begun.part.dataset.part);
  }

  lost(event) { this.fingers.delete(event.pointerId); }

  wheel(event) {
    if (!event.ctrlKey) return;
    event.preventDefault();
    this.zoom(event.deltaY < 0 ? 1.15 : 1 / 1.15);
  }

  pressed(event) {
    const part = event.target.closest("g.part");
    const step = this.at.width / 6;
    const moves = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] };
    if (moves[event.key]) this.set({ ...this.at, x: this.at.x + moves[event.key][0], y: this.at.y + moves[event.key][1] });
    else if (event.key === "+") this.larger();
    else if (event.key === "-") this.smaller();
    else if (part && (event.key === "Enter" || event.key === " ")) this.tapped(part.dataset.part);
    else return;
    event.preventDefault();
  }
}

function PartPanel({ bench, name }) {
  const [told, setTold] = useState(null);
  const heading = useRef(null);
  useEffect(() => {
    client.part(bench.id, name).then(setTold, (error) => bench.failed(error));
  }, []);
  useEffect(() => { heading.current?.focus(); heading.current?.scrollIntoView({ block: "nearest" }); }, [told !== null]);
  if (told === null) return null;
  const cost = (one) => (one.price_eur ? say("parts_for", { price: price(one.price_eur) }) : say("no_parts"));
  return html`<section class="part-panel" aria-labelledby="part-title">
    <div class="drawing-head"><h3 id="part-title" tabindex="-1" ref=${heading}>${told.title}</h3><${Go} place=${`job/${bench.id}`}>${say("close_part")}<//></div>
    ${told.opens.length > 0 && html`<p>${say("open_first")}: ${told.opens.map((one) => one.title).join(", ")}</p>`}
    <h4>${say("modes_of")}</h4>
    ${told.modes.map((one) => html`<${Bar} key=${one.id} share=${one.probability} label=${`${one.title}, ${likelihood(one.probability)}`} />`)}
    <h4>${say("tests_of")}</h4>
    <ul class="rows">${told.tests.map((one) => html`<li key=${one.id}><a class="row" href=${`#/job/${bench.id}/test/${one.id}`}><span>${one.title}</span><small>${one.done ? say("test_done") : ""}</small></a></li>`)}
      ${told.tests.length === 0 && html`<li>${say("nothing_known")}</li>`}</ul>
    <h4>${say("repairs_of")}</h4>
    ${told.repairs.map((one) => html`<div class="way" key=${one.id}><p><strong>${one.title}</strong> ${say("repair_takes", { minutes: minutes(one.minutes), price: cost(one) })}${one.licensed ? ` ${say("licensed")}` : ""}</p>
      <${Cautions} cautions=${one.cautions} seen=${bench.seen} />
      <${Go} place=${`job/${bench.id}/repair/${name}.${one.id}`}>${say("repair_it")}<//></div>`)}
    ${told.repairs.length === 0 && html`<p>${say("nothing_known")}</p>`}
  </section>`;
}

