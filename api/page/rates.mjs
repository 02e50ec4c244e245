// How often each fault is expected: the file's figure beside the learnt one, its interval drawn and in numbers.
import { useState } from "./vendor/hooks.mjs";
import { html } from "./html.mjs";
import { amount, percent, say } from "./words.mjs";

const SHOWN = 20;

/** Places from 0 to 1 on a scale on which each step is ten times the one before. */
function scaleOf(rates) {
  const values = rates.flatMap((one) => [one.low, one.high, one.refitted, one.shipped]).filter((one) => one > 0);
  const low = Math.floor(Math.log10(Math.min(...values, 1)) + 1e-9);
  const high = Math.max(Math.ceil(Math.log10(Math.max(...values, 1)) - 1e-9), low + 1);
  const decades = Array.from({ length: high - low + 1 }, (_, step) => 10 ** (low + step));
  const place = (value) => (value > 0 ? Math.min(Math.max((Math.log10(value) - low) / (high - low), 0), 1) : 0);
  return { place, decades };
}

function Interval({ rate, scale }) {
  const left = (value) => `${100 * scale.place(value)}%`;
  const wide = `${Math.max(100 * (scale.place(rate.high) - scale.place(rate.low)), 0.5)}%`;
  return html`<span class="interval" aria-hidden="true">
    ${scale.decades.map((one) => html`<span key=${one} class="decade" style=${{ left: left(one) }}></span>`)}
    <span class="between" style=${{ left: left(rate.low), width: wide }}></span>
    <span class="mark-file" style=${{ left: left(rate.shipped) }}></span>
    <span class="mark-learnt" style=${{ left: left(rate.refitted) }}></span></span>`;
}

/** What was learnt, the farthest from the file first. */
export function Rates({ priors }) {
  const [all, setAll] = useState(false);
  const known = priors.rates.filter((one) => one.known);
  if (known.length === 0) return html`<section><h3>${say("rates_title")}</h3><p>${say("nothing_learnt")}</p></section>`;
  const scale = scaleOf(known);
  const shown = all ? known : known.slice(0, SHOWN);
  return html`<section aria-labelledby="rates-title"><h3 id="rates-title">${say("rates_title")}</h3><p class="small">${say("rates_told")}</p>
    <p class="key small"><span class="key-item"><span class="mark-file" aria-hidden="true"></span>${say("as_file")}</span> <span class="key-item"><span class="mark-learnt" aria-hidden="true"></span>${say("as_learnt")}</span> <span class="key-item"><span class="between" aria-hidden="true"></span>${say("limits")}</span></p>
    <table class="rates" role="table" aria-label=${say("rates_title")}>
      <thead role="rowgroup"><tr role="row"><th role="columnheader" scope="col">${say("fault")}</th><th role="columnheader" scope="col"><span class="axis" aria-hidden="true">${scale.decades.map((one) => html`<span key=${one} style=${{ left: `${100 * scale.place(one)}%` }}>${amount(one)}</span>`)}</span><span class="hidden">${say("picture")}</span></th>
        <th role="columnheader" scope="col" class="figure">${say("as_file")}</th><th role="columnheader" scope="col" class="figure">${say("as_learnt")}</th><th role="columnheader" scope="col" class="figure">${say("limits")}</th><th role="columnheader" scope="col" class="figure">${say("worth_cases")}</th></tr></thead>
      <tbody role="rowgroup">${shown.map((one) => html`<tr role="row" key=${`${one.kind} ${one.part}.${one.mode}`}>
        <th role="rowheader" scope="row">${one.title}</th><td role="cell" class="picture"><${Interval} rate=${one} scale=${scale} /></td>
        <td role="cell" class="figure" data-told=${say("as_file")}>${amount(one.shipped)}</td><td role="cell" class="figure learnt" data-told=${say("as_learnt")}>${amount(one.refitted)}</td>
        <td role="cell" class="figure" data-told=${say("limits")}>${say("low_high", { low: amount(one.low), high: amount(one.high) })}</td><td role="cell" class="figure" data-told=${say("worth_cases")}>${amount(one.equivalent_cases)}</td></tr>`)}</tbody></table>
    ${shown.length < known.length && html`<button type="button" class="button" onClick=${() => setAll(true)}>${say("more_rates", { count: known.length - shown.length })}</button>`}
  </section>`;
}

/** What stays as shipped, and what no test tells apart. */
export function NotKnown({ priors }) {
  const rest = priors.rates.filter((one) => !one.known);
  const groups = priors.not_identified;
  return html`<section aria-labelledby="unknown-title"><h3 id="unknown-title">${say("not_known")}</h3><p class="small">${say("not_known_told")}</p>
    ${rest.length === 0 ? html`<p>${say("all_known")}</p>` : html`<details><summary>${say("not_known_count", { count: rest.length })}</summary>
      <ul class="rows">${rest.map((one) => html`<li class="row" key=${`${one.kind} ${one.part}.${one.mode}`}><span>${one.title}</span><small>${say("as_shipped", { rate: amount(one.shipped), learnt: percent(one.learnt) })}</small></li>`)}</ul></details>`}
    ${groups.length > 0 && html`<h4>${say("not_apart")}</h4><p class="small">${say("not_apart_told")}</p>
      <ul class="rows">${groups.map((one, place) => html`<li class="row" key=${place}><span>${one.members.join(` ${say("or")} `)}</span><small>${say("sum", { before: amount(one.shipped), after: amount(one.refitted), low: amount(one.low), high: amount(one.high) })}</small></li>`)}</ul>`}
  </section>`;
}

/** Words, slips, minutes, and how much one cause raises another. */
export function Others({ priors }) {
  if (priors.figures.length === 0) return null;
  const unit = (one) => (one.unit === "times" ? "" : ` ${one.unit}`);
  return html`<section aria-labelledby="others-title"><h3 id="others-title">${say("other_figures")}</h3>
    <details><summary>${say("other_count", { count: priors.figures.length })}</summary><ul class="rows">
    ${priors.figures.map((one, place) => html`<li class="row" key=${place}><span>${say(`figure_${one.kind}`, { title: one.title })}</span><small>${one.shipped === null ? say("differs") : amount(one.shipped)} → ${amount(one.refitted)}${unit(one)}</small></li>`)}</ul></details></section>`;
}
