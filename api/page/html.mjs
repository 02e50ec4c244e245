// Markup: tagged templates over the vendored renderer. A tag left open renders nothing.
import { h } from "./vendor/preact.mjs";
import htm from "./vendor/htm.mjs";
import { percent, say } from "./words.mjs";

export const html = htm.bind(h);

/** A bar with its number in words beside it, so that nothing hangs on the bar alone. */
export function Bar({ share, was = null, label, look = "" }) {
  const moved = was === null || Math.abs(share - was) < 0.005 ? null : share > was ? "up" : "down";
  return html`<div class=${`bar ${look}`}>
    <span class="bar-track" aria-hidden="true">
      <span class="bar-fill" style=${{ width: `${100 * share}%` }}></span>
      ${moved && html`<span class="bar-was" style=${{ left: `${100 * was}%` }}></span>`}
    </span>
    <span class="bar-number">${percent(share)}</span>
    <span class="bar-words">${label}${moved &&
      html` <span class=${`moved ${moved}`}>${say(`moved_${moved}`, { was: percent(was) })}</span>`}
    </span>
  </div>`;
}

/** Cautions: in full where they are new or are about what moves, burns or sprays; else by name. */
export function Cautions({ cautions, seen }) {
  if (!cautions.length) return null;
  const full = cautions.filter((one) => one.always || !seen.has(one.id));
  const named = cautions.filter((one) => !full.includes(one));
  return html`<div class="mind">
    <p class="mind-title">${say("mind")}</p>
    ${full.map((one) => html`<p key=${one.id}>${one.text}</p>`)}
    ${named.length > 0 &&
      html`<details>
        <summary>${say("as_before", { names: named.map((one) => one.id.replaceAll("_", " ")).join(", ") })}</summary>
        ${named.map((one) => html`<p key=${one.id}>${one.text}</p>`)}
      </details>`}
  </div>`;
}

/** A link that looks and works like a button; `place` is what stands behind `#/`. */
export function Go({ place, children, look = "plain", current = false }) {
  return html`<a class=${`button ${look}`} href=${`#/${place}`} aria-current=${current ? "page" : undefined}>${children}</a>`;
}
