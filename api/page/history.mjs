// Every step, with what can be taken back.
import { html } from "./html.mjs";
import { keepMine, leaveOut, outbox } from "./outbox.mjs";
import { complaintTitle, stepWords, takenTogether } from "./steps.mjs";
import { say, when } from "./words.mjs";

export function History({ bench }) {
  const { job, machine, steps } = bench;
  const stands = new Set(steps.map((step) => step.seq));
  const back = () => {
    const count = Math.min(takenTogether(steps), steps.length);
    return bench.record(Array.from({ length: count }, () => ({ kind: "undone" })), say("take_back"));
  };
  const withdraw = (step) => bench.record([{ kind: "withdrawn", test: step.test }], stepWords(machine, { kind: "withdrawn", test: step.test }));
  const lastOf = (step) => steps.findLast((one) => ["finding", "looked_again", "withdrawn"].includes(one.kind) && one.test === step.test);
  const closed = job.status === "closed";
  return html`<section class="history" aria-labelledby="history-title">
    <h2 id="history-title" tabindex="-1">${say("history_of")}</h2>
    ${steps.length > 0 && html`<button type="button" class="button" onClick=${back}>${say("take_back")}</button>`}
    <ol class="steps">
      <li><span>${say("opened", { complaint: steps.some((step) => step.kind === "told") ? "" : complaintTitle(machine, job.complaint_told) })}</span><small>${when(job.opened_at)} ${job.opened_by && say("by", { name: job.opened_by })}</small></li>
      ${job.steps.filter((step) => step.kind !== "undone").map((step) => {
        const gone = !stands.has(step.seq);
        const finding = ["finding", "looked_again"].includes(step.kind);
        return html`<li key=${step.seq} class=${gone ? "gone" : ""}>
          <span>${gone ? html`<s>${stepWords(machine, step)}</s> (${say("was_undone")})` : stepWords(machine, step)}</span>
          <small>${when(step.at)} ${step.by && say("by", { name: step.by })}</small>
          ${!gone && !closed && finding && lastOf(step) === step && html`<button type="button" class="button" aria-label=${`${say("withdraw")}: ${stepWords(machine, step)}`} onClick=${() => withdraw(step)}>${say("withdraw")}</button>`}
        </li>`;
      })}
    </ol></section>`;
}

/** What is on its way, in words; and what two tablets did at once, side by side. */
export function Outbox({ bench }) {
  const mine = bench ? bench.waiting : outbox.entries;
  const held = mine.filter((entry) => entry.state !== "waiting");
  const count = outbox.entries.filter((entry) => entry.state === "waiting").reduce((sum, entry) => sum + entry.steps.length, 0);
  const unkept = outbox.entries.filter((entry) => entry.state !== "waiting").length;
  const waits = unkept > 0 ? say("unkept", { count: unkept }) : count === 0 ? say("sent") : say(count === 1 ? "waits_one" : "waits_many", { count });
  return html`<div class="outbox">
    <p class=${`line ${outbox.away ? "is-away" : ""}`} role="status"><span class="lamp" aria-hidden="true"></span>${say(outbox.away ? "away" : "online")}; ${waits}</p>
    ${held.map((entry) => html`<${Held} key=${entry.number} entry=${entry} bench=${bench} />`)}
  </div>`;
}

function Held({ entry, bench }) {
  const machine = bench?.machine;
  const version = Math.max(bench?.job?.version ?? 0, entry.now ?? 0) || entry.version;
  if (entry.state === "refused") {
    return html`<section class="held" role="alert"><h3>${say("refused")}</h3><p>${entry.words}</p><p>${say("refused_told", { detail: entry.detail })}</p>
      <button type="button" class="button strong" onClick=${() => leaveOut(entry, version)}>${say("leave_refused")}</button></section>`;
  }
  return html`<section class="held" role="alert"><h3>${say("conflict")}</h3><p>${say("conflict_told")}</p>
    <div class="both"><div><h4>${say("theirs")}</h4><ul>${entry.added.map((step) => html`<li key=${step.seq}>${machine ? stepWords(machine, step) : step.kind}</li>`)}</ul></div>
    <div><h4>${say("yours")}</h4><p>${entry.words}</p></div></div>
    <div class="choices"><button type="button" class="button strong" onClick=${() => keepMine(entry, version)}>${say("keep_mine")}</button>
    <button type="button" class="button" onClick=${() => leaveOut(entry, version)}>${say("leave_mine")}</button></div></section>`;
}
