// The number pad: a meter's display with its unit, and keys for cold hands.
import { html } from "./html.mjs";
import { say } from "./words.mjs";

const SCALES = { V: [["V", 1], ["mV", 1e-3]], A: [["A", 1], ["mA", 1e-3]], ohm: [["ohm", 1], ["kohm", 1e3], ["Mohm", 1e6]] };
const KEYS = ["7", "8", "9", "4", "5", "6", "1", "2", "3", "sign", "0", "point"];
const SIGNS = { sign: "±", point: "." };
const MOST = 8;

const scalesOf = (unit) => SCALES[unit] ?? [[unit, 1]];

/** `draft` is `{text, unit}`; `change` gets the next one, `take` the reading and its unit. */
export function Pad({ test, draft, change, take }) {
  const { text, unit } = draft;
  const scale = scalesOf(test.unit).find(([name]) => name === unit)?.[1] ?? 1;
  const value = Number(text);
  const typed = text !== "" && text !== "-" && Number.isFinite(value);
  const within = typed && value * scale >= test.low && value * scale <= test.high;
  const press = (key) => change({ ...draft, text: pressed(text, key) });
  const others = scalesOf(test.unit);
  const nextUnit = others[(others.findIndex(([name]) => name === unit) + 1) % others.length][0];
  const byKeyboard = (event) => {
    if (/^[0-9]$/.test(event.key)) press(event.key);
    else if (event.key === "." || event.key === ",") press("point");
    else if (event.key === "-") press("sign");
    else if (event.key === "Backspace") change({ ...draft, text: text.slice(0, -1) });
    else if (event.key === "Enter" && within && event.target.tagName !== "BUTTON") take(value, unit);
    else return;
    if (event.key !== "Enter") event.preventDefault();
  };
  return html`<div class="pad" onKeyDown=${byKeyboard}>
    <div class="meter" role="group" aria-label=${say("reading")}>
      <output class="digits" aria-live="polite" tabindex="0">${text || "- - -"}</output>
      ${others.length > 1
        ? html`<button type="button" class="unit" aria-label=${say("unit_now", { unit })} onClick=${() => change({ ...draft, unit: nextUnit })}>${unit}</button>`
        : html`<span class="unit">${unit}</span>`}
    </div>
    <div class="keys">
      ${KEYS.map((key) => html`<button type="button" key=${key} aria-label=${SIGNS[key] ? say(key) : key} disabled=${key === "sign" && test.low >= 0} onClick=${() => press(key)}>${SIGNS[key] ?? key}</button>`)}
      <button type="button" class="wide" onClick=${() => change({ ...draft, text: text.slice(0, -1) })}>${say("delete_last")}</button>
    </div>
    ${typed && !within && html`<p class="warn" role="alert">${say("between", { low: test.low, high: test.high, unit: test.unit })}</p>`}
    <button type="button" class="button strong take" disabled=${!within} onClick=${() => take(value, unit)}>
      ${typed ? say("take_reading", { reading: `${text} ${unit}` }) : say("take_empty")}
    </button>
  </div>`;
}

function pressed(text, key) {
  if (key === "sign") return text.startsWith("-") ? text.slice(1) : `-${text}`;
  if (key === "point") return text.includes(".") ? text : `${text === "" || text === "-" ? `${text}0` : text}.`;
  if (text.length >= MOST) return text;
  return text === "0" ? key : text + key;
}
