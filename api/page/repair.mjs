// Repair and try it; what is left when it runs; handing over; a job that is closed.
import { useState } from "./vendor/hooks.mjs";
import { Cautions, Go, html } from "./html.mjs";
import { complaintTitle, faultWords, partTitle, repairWords } from "./steps.mjs";
import { capital, likelihood, minutes, percent, price, say } from "./words.mjs";

export function Repair({ bench, target }) {
  const { advice, machine } = bench;
  const [part, name] = target.split(".");
  const known = machine.parts.find((one) => one.id === part)?.repairs.find((one) => one.id === name);
  if (!known) return html`<section class="card"><p>${say("no_longer")}</p></section>`;
  const likely = advice.likely_repairs.find((one) => one.part === part && one.repair === name);
  const texts = machine.cautions;
  const cautions = known.cautions.map((id) => ({ id, text: texts.find((one) => one.id === id).text, always: true }));
  const proposed = advice.verdict.target === target;
  const cost = known.price_eur ? say("parts_for", { price: price(known.price_eur) }) : say("no_parts");
  const done = async () => {
    bench.minded(cautions);
    await bench.record([{ kind: "repaired", part, repair: name }], repairWords(machine, part, name));
    location.hash = `#/job/${bench.id}`;
  };
  return html`<article class="card repair" aria-labelledby="do">
    <p class="stamp">${say("repair_it")}</p>
    <${Cautions} cautions=${cautions} seen=${bench.seen} />
    <h2 id="do" tabindex="-1">${partTitle(machine, part)}: ${known.title}</h2>
    <dl class="run">
      ${likely && html`<div class="node"><dt>${capital(likelihood(likely.chance))}</dt><dd>${say("repair_chance", { chance: percent(likely.chance) })}</dd></div>`}
      <div class="node"><dt>${say("takes")}</dt><dd>${say("repair_takes", { minutes: minutes(likely?.minutes ?? known.minutes), price: cost })}</dd></div>
      ${known.licensed && html`<div class="node"><dt>${say("mind")}</dt><dd>${say("licensed")}</dd></div>`}
    </dl>
    <div class="choices big"><button type="button" class="button strong" onClick=${done}>${say("repair_done")}</button></div>
    <div class="aside">
      <${Go} place=${`job/${bench.id}/suspects`}>${say("repair_other")}<//>
      <${Go} place=${`job/${bench.id}/list`}>${say("see_list")}<//>
      ${!proposed && html`<${Go} place=${`job/${bench.id}`}>${say("back_to_now")}<//>`}
    </div>
    ${proposed && html`<details class="why"><summary>${say("minutes_and_why", { minutes: minutes(likely?.minutes ?? known.minutes) })}</summary>
      <p>${advice.verdict.reason}</p></details>`}
  </article>`;
}

export function Try({ bench, repaired }) {
  const { machine, job } = bench;
  const shown = (what, words) => async () => {
    await bench.record([{ kind: "tried", shown: what }], words);
    location.hash = `#/job/${bench.id}`;
  };
  const other = machine.complaints.filter((one) => one.id !== (job.complaint_seen ?? job.complaint_told));
  return html`<article class="card" aria-labelledby="do">
    <p class="stamp">${say("try_was", { repair: repairWords(machine, repaired.part, repaired.repair) })}</p>
    <h2 id="do" tabindex="-1">${say("try_it")}</h2>
    <section class="answers" aria-label=${say("try_what")}><h3>${say("try_what")}</h3>
      <div class="choices big">
        <button type="button" class="button answer strong" onClick=${shown("runs", say("shown_runs"))}>${say("shown_runs")}</button>
        <button type="button" class="button answer" onClick=${shown("same", say("shown_same"))}>${say("shown_same")}</button>
      </div>
      <h3>${say("now_this")}</h3>
      <div class="choices">
        ${other.map((one) => html`<button type="button" class="button" key=${one.id} onClick=${shown(one.id, one.title)}>${one.title}</button>`)}
        <button type="button" class="button" onClick=${shown("other", say("shown_other"))}>${say("shown_other")}</button>
      </div>
    </section></article>`;
}

export function Runs({ bench }) {
  const { verdict } = bench.advice;
  return html`<article class="card" aria-labelledby="do">
    <p class="stamp">${say("runs")}</p>
    <h2 id="do" tabindex="-1">${verdict.notes[0] ?? say("runs")}</h2>
    ${verdict.notes.slice(1).map((note) => html`<p class="lead" key=${note}>${note}</p>`)}
    <p>${verdict.reason}</p>
    <div class="choices big"><a class="button strong" href=${`#/job/${bench.id}/close`}>${say("close_job")}</a></div>
    <div class="aside"><${Go} place=${`job/${bench.id}/list`}>${say("go_on_anyway")}<//></div></article>`;
}

export function HandOver({ bench }) {
  const { verdict } = bench.advice;
  return html`<article class="card" aria-labelledby="do">
    <p class="stamp">${say("hand_over")}</p>
    <h2 id="do" tabindex="-1">${say("hand_over_do")}</h2>
    <p class="lead">${verdict.reason}</p>
    ${verdict.notes.map((note) => html`<p key=${note}>${note}</p>`)}
    <${HandOverNow} bench=${bench} />
    <div class="aside"><${Go} place=${`job/${bench.id}/list`}>${say("see_list")}<//><${Go} place=${`job/${bench.id}/suspects`}>${say("repair_other")}<//></div></article>`;
}

export function HandOverNow({ bench }) {
  const [note, setNote] = useState("");
  const give = async () => {
    await bench.record([{ kind: "handed_over", note }], say("hand_over"));
    location.hash = `#/job/${bench.id}/close`;
  };
  return html`<div class="field"><label for="hand-note">${say("note")}</label>
    <input id="hand-note" value=${note} maxlength="2000" onInput=${(event) => setNote(event.target.value)} />
    <button type="button" class="button strong" onClick=${give}>${say("hand_over")}</button></div>`;
}

export function Closed({ bench }) {
  const { job, machine } = bench;
  const closed = job.status === "closed";
  const reopen = () => bench.record([{ kind: "reopened" }], say("reopen"));
  return html`<article class="card" aria-labelledby="do">
    <p class="stamp">${say(`status_${job.status}`)}</p>
    <h2 id="do" tabindex="-1">${say(closed ? "is_closed" : "is_handed_over")}</h2>
    <p class="lead">${complaintTitle(machine, job.complaint_told)}</p>
    ${closed && html`<p>${say("closed_how", { ended: say(`ended_${job.ended}`) })}
      ${job.cause_part && html` ${job.cause_mode ? faultWords(machine, job.cause_part, job.cause_mode) : partTitle(machine, job.cause_part)}.`}</p>`}
    <div class="choices">
      ${!closed && html`<a class="button strong" href=${`#/job/${bench.id}/close`}>${say("close_job")}</a>`}
      <a class="button" href=${`#/job/${bench.id}/sheet`}>${say("sheet")}</a>
      <button type="button" class="button" onClick=${reopen}>${say("reopen")}</button>
    </div></article>`;
}
