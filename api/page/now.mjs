// What to do now: one test with its answers, or a repair, or the end of the job.
import { useEffect, useRef, useState } from "./vendor/hooks.mjs";
import { takeOf } from "./answers.mjs";
import { Cautions, Go, html } from "./html.mjs";
import { Pad } from "./pad.mjs";
import { Closed, HandOver, Repair, Runs, Try } from "./repair.mjs";
import { faultWords, findingWords, untried } from "./steps.mjs";
import * as client from "./client.mjs";
import { tested } from "./bench.mjs";
import { capital, minutes, percent, rate, say } from "./words.mjs";

const FEW = 6;
const SHOWN = 5;
const PATIENT_MS = 800;

/** The card; while a tap is on its way it takes no other, and says so where that takes long. */
export function Now(props) {
  const { bench } = props;
  const [long, setLong] = useState(false);
  const { busy } = bench;
  useEffect(() => {
    setLong(false);
    if (!busy) return undefined;
    const timer = setTimeout(() => setLong(true), PATIENT_MS);
    return () => clearTimeout(timer);
  }, [busy]);
  if (busy && long && bench.waiting.length > 0) {
    return html`<section class="card"><p class="lead">${say("waiting_card")}</p>
      <ul>${bench.waiting.map((entry) => html`<li key=${entry.number}>${entry.words}</li>`)}</ul>
      <${Go} place=${`job/${bench.id}/list`}>${say("see_list")}<//></section>`;
  }
  return html`<div inert=${busy} aria-busy=${busy}><${Card} ...${props} /></div>`;
}

/** `route` may name a test out of turn, or a repair. */
function Card({ bench, route, draft, setDraft }) {
  const { job, advice } = bench;
  if (job.status === "closed") return html`<${Closed} bench=${bench} />`;
  const repaired = untried(bench.steps);
  if (repaired) return html`<${Try} bench=${bench} repaired=${repaired} />`;
  if (route.view === "repair") return html`<${Repair} bench=${bench} target=${route.name} />`;
  if (route.view !== "test" && job.status === "handed_over") return html`<${Closed} bench=${bench} />`;
  const name = route.view === "test" ? route.name : tested(advice);
  if (name !== null) {
    if (bench.asked === null || bench.asked.test !== name) return html`<section class="card"><p>${bench.asked === null ? say("no_longer") : say("loading")}</p></section>`;
    return html`<${Test} key=${`${name} ${job.version}`} bench=${bench} test=${bench.asked} draft=${draft} setDraft=${setDraft} />`;
  }
  if (advice.verdict.action === "repair") return html`<${Repair} bench=${bench} target=${advice.verdict.target} />`;
  if (advice.verdict.action === "done") return html`<${Runs} bench=${bench} />`;
  return html`<${HandOver} bench=${bench} />`;
}

function Test({ bench, test, draft, setDraft }) {
  const [cannot, setCannot] = useState(false);
  const [unsure, setUnsure] = useState(false);
  const advice = bench.advice;
  const proposed = tested(advice) === test.test;
  const again = proposed && advice.verdict.action === "recheck";
  const listed = advice.tests.find((one) => one.test === test.test);
  const known = advice.findings.find((one) => one.test === test.test && one.repairs_before === advice.repairs.length);
  const take = takeOf(bench, test, unsure);
  const heading = again ? say("do_again") : say(proposed ? "do_next" : "out_of_turn");
  return html`<article class="card test" aria-labelledby="do">
    <p class="stamp">${heading}</p>
    <${Cautions} cautions=${test.cautions} seen=${bench.seen} />
    <h2 id="do" tabindex="-1">${capital(test.title)}</h2>
    ${known && html`<p>${say("done_already", { result: findingWords(bench.machine, known) })}</p>`}
    ${again && html`<p class="warn">${advice.verdict.reason}</p>`}
    <dl class="run">
      ${test.opens.length > 0 && html`<div class="node"><dt>${say("open_first")}</dt><dd>${test.opens.map((one) => one.title).join(", ")}</dd></div>`}
      ${test.probes.map((probe) => html`<div class=${`node probe ${probe.end}`} key=${probe.end}>
        <dt><span class="disc" aria-hidden="true">${say(probe.end)[0]}</span>${say(probe.end)}</dt><dd>${probe.words}</dd></div>`)}
      ${test.controls && html`<div class="node"><dt>${say("controls")}</dt><dd>${capital(test.controls)}</dd></div>`}
      ${test.tool && html`<div class="node"><dt>${say("with_tool")}</dt><dd>${test.tool}</dd></div>`}
      <div class="node good"><dt>${say("good_is")}</dt><dd>${capital(test.good)}</dd></div>
    </dl>
    <${Answers} test=${test} take=${take} draft=${draft} setDraft=${setDraft} />
    <div class="aside">
      ${!proposed && html`<label class="tick"><input type="checkbox" checked=${unsure} onChange=${(event) => setUnsure(event.target.checked)} />${say("in_passing")}</label>`}
      <button type="button" class="button" aria-expanded=${cannot} onClick=${() => setCannot(!cannot)}>${say("cannot")}</button>
      ${cannot && html`<div class="choices small" role="group" aria-label=${say("cannot_why")}>
        ${["tool", "reach", "refused"].map((why) => html`<button type="button" class="button" key=${why}
          onClick=${() => take({ kind: "set_aside", note: say(`cannot_note_${why}`) }, say("cannot"))}>${say(`cannot_${why}`)}</button>`)}</div>`}
      <${Go} place=${`job/${bench.id}/list`}>${say("see_list")}<//>
      ${!proposed && html`<${Go} place=${`job/${bench.id}`}>${say("back_to_now")}<//>`}
    </div>
    <${Why} bench=${bench} test=${test} listed=${listed} proposed=${proposed} />
  </article>`;
}

/** Big answers, or the pad; what comes and goes, and other results beside a reading. */
function Answers({ test, take, draft, setDraft }) {
  const [all, setAll] = useState(false);
  const asks = test.unit ? say("what_reads") : test.watched ? say("what_watched", { watched: test.watched }) : say("what_shows");
  const outcome = (one) => take({ outcome: one.outcome }, one.words);
  const button = (one, look = "") => html`<button type="button" key=${one.outcome} class=${`button ${look}`} onClick=${() => outcome(one)}>
      ${capital(one.words)}</button>`;
  if (test.unit) {
    const beside = test.results.filter((one) => ["open", "unsteady", "not_possible"].includes(one.outcome));
    const mine = draft?.test === test.test ? draft : { test: test.test, text: "", unit: test.unit };
    return html`<section class="answers" aria-label=${asks}><h3>${asks}</h3>
      <${Pad} test=${test} draft=${mine} change=${setDraft} take=${(reading, unit) => take({ reading, unit }, `${reading} ${unit}`)} />
      ${beside.length > 0 && html`<div class="choices">${beside.map((one) => button(one))}</div>`}</section>`;
  }
  const ranked = [...test.results].sort((a, b) => (b.chance ?? 0) - (a.chance ?? 0));
  const kept = test.results.length <= FEW || all ? test.results : ranked.slice(0, SHOWN);
  const shown = test.results.filter((one) => kept.includes(one));
  return html`<section class="answers" aria-label=${asks}><h3>${asks}</h3>
    <div class=${`choices ${shown.length <= 4 ? "big" : ""}`}>${shown.map((one) => button(one, "answer"))}</div>
    ${shown.length < test.results.length && html`<button type="button" class="button" onClick=${() => setAll(true)}>
      ${say("more_results", { count: test.results.length - shown.length })}</button>`}</section>`;
}

/** Minutes at a glance; bits, reason and what each answer would mean one tap away. */
function Why({ bench, test, listed, proposed }) {
  const [told, setTold] = useState(null);
  const round = useRef(0);
  useEffect(() => () => { round.current += 1; }, []);
  const open = async (event) => {
    if (!event.target.open || told !== null) return;
    const mine = ++round.current;
    try {
      const whole = await client.test(bench.id, test.test, true);
      if (mine === round.current) setTold(whole);
    } catch (error) {
      bench.failed(error);
    }
  };
  const leads = (one) => one.leaves === null ? say("cannot_be")
    : one.leaves.map((left) => `${faultWords(bench.machine, left.part, left.mode)} ${percent(left.probability)}`).join("; ");
  return html`<details class="why" onToggle=${open}>
    <summary>${say("minutes_and_why", { minutes: minutes(test.minutes) })}</summary>
    ${listed && html`<p>${say("bits", { bits: rate(listed.gain_bits), rate: rate(listed.bits_per_minute) })}</p>`}
    ${proposed && html`<p>${bench.advice.verdict.reason}</p>`}
    ${told && html`<h4>${say("each_leaves")}</h4>
      <dl class="leaves">${told.results.map((one) => html`<div key=${one.outcome}><dt>${capital(one.words)}${one.chance !== null && html`<small> ${percent(one.chance)}</small>`}</dt><dd>${leads(one)}</dd></div>`)}</dl>
      ${told.readings.length > 0 && html`<h4>${say("would_read")}</h4>
        <dl class="leaves">${told.readings.map((one) => html`<div key=${one.part + one.mode}><dt>${one.words}</dt><dd>${one.part ? faultWords(bench.machine, one.part, one.mode) : say("all_good")}</dd></div>`)}</dl>`}`}
  </details>`;
}
