// Repairs in the order in which they come up, and the suspects behind each, as bars with words.
import { Bar, Go, html } from "./html.mjs";
import { faultWords, partTitle } from "./steps.mjs";
import { likelihood, minutes, percent, price, say } from "./words.mjs";

const LEAST = 0.01;
const MOVED = 0.03;

export function Suspects({ bench, full = true }) {
  const { advice, machine, was } = bench;
  const before = (one) => was.get(`${one.part}.${one.mode}`) ?? null;
  const likely = advice.suspects.filter((one) => one.probability >= LEAST);
  const repairs = full ? advice.likely_repairs : advice.likely_repairs.slice(0, 4);
  if (!full && repairs.length === 0) return null;
  const spoken = new Set();
  const behind = (repair) => {
    const known = machine.parts.find((part) => part.id === repair.part)?.repairs.find((one) => one.id === repair.repair);
    const faults = likely.filter((one) => one.part === repair.part && known?.fixes.includes(one.mode));
    for (const one of faults) spoken.add(one);
    return faults;
  };
  const listed = repairs.map((repair) => ({ repair, faults: behind(repair) }));
  const rest = likely.filter((one) => !spoken.has(one));
  return html`<section class="suspects" aria-labelledby="suspects-title">
    <h2 id="suspects-title" tabindex="-1">${say("suspects_in_order")}</h2>
    <${Moved} bench=${bench} />
    <p class="small">${say("suspects_order_told")}</p>
    <ol class="bars">${listed.map(({ repair, faults }) => html`<li key=${`${repair.part}.${repair.repair}`}>
      <h3>${partTitle(machine, repair.part)}: ${repair.title}</h3>
      <${Bar} share=${repair.chance} label=${`${say("ends_complaint")}, ${likelihood(repair.chance)}`} />
      <p class="small">${say("repair_takes", { minutes: minutes(repair.minutes), price: repair.price_eur ? say("parts_for", { price: price(repair.price_eur) }) : say("no_parts") })}; ${say("then_to_go", { minutes: minutes(repair.minutes_to_go) })}</p>
      ${full && faults.map((one) => html`<${Bar} key=${one.mode} look="of" share=${one.probability} was=${before(one)} label=${faultWords(machine, one.part, one.mode)} />`)}
      ${full && html`<${Go} place=${`job/${bench.id}/repair/${repair.part}.${repair.repair}`}>${say("repair_it")}<//>`}
    </li>`)}</ol>
    ${full && rest.length > 0 && html`<h3>${say("other_suspects")}</h3>
      <div class="bars">${rest.map((one) => html`<${Bar} key=${`${one.part}.${one.mode}`} share=${one.probability} was=${before(one)} label=${faultWords(machine, one.part, one.mode)} />`)}</div>`}
    ${full && advice.mass_left_out > 0.005 && html`<p class="small">${say("left_out", { share: percent(advice.mass_left_out) })}</p>`}
    ${!full && html`<${Go} place=${`job/${bench.id}/suspects`}>${say("suspects")}<//>`}
  </section>`;
}

/** What the last answer moved most. */
function Moved({ bench }) {
  if (bench.was.size === 0) return null;
  const moved = bench.advice.suspects
    .map((one) => ({ ...one, was: bench.was.get(`${one.part}.${one.mode}`) ?? 0 }))
    .filter((one) => Math.abs(one.probability - one.was) >= MOVED)
    .sort((a, b) => Math.abs(b.probability - b.was) - Math.abs(a.probability - a.was))
    .slice(0, 3);
  if (moved.length === 0) return null;
  return html`<p class="movement"><strong>${say("moved_most")}:</strong> ${moved.map((one, place) => html`<span key=${one.part + one.mode}>${place > 0 && "; "}${faultWords(bench.machine, one.part, one.mode)} ${percent(one.was)} → ${percent(one.probability)}</span>`)}</p>`;
}
