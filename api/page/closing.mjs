// The end of a job in two questions at most.
import { useState } from "./vendor/hooks.mjs";
import { html } from "./html.mjs";
import { faultWords } from "./steps.mjs";
import { say } from "./words.mjs";

const CHOICES = 5;

export function Closing({ bench }) {
  const { job, machine, advice } = bench;
  const [place, setPlace] = useState(0);
  const [given, setGiven] = useState({});
  if (job.closing === null) return null;
  const questions = job.closing.questions;
  const question = questions[place];
  const change = (more) => setGiven((before) => ({ ...before, ...more }));
  const last = place >= questions.length - 1;
  const close = async () => {
    const step = { kind: "closed", ended: job.closing.ended, ...given };
    await bench.record([step], say("close_job"));
    location.hash = `#/job/${bench.id}/sheet`;
  };
  const ready = question === undefined || !question.asks.includes("cause_part") || "cause_part" in given;
  return html`<section class="card" aria-labelledby="closing-title">
    <p class="stamp">${say("closing_title")}</p>
    <h2 id="closing-title" tabindex="-1">${question ? question.text : say("ends_as", { ended: say(`ended_${job.closing.ended}`) })}</h2>
    ${question && html`<p class="small">${say("question_of", { place: place + 1, count: questions.length })} ${say("ends_as", { ended: say(`ended_${job.closing.ended}`) })}</p>`}
    ${question?.asks.includes("cause_part") && html`<${Cause} machine=${machine} choices=${likely(question, advice)} given=${given} change=${change} />`}
    ${question?.asks.includes("labour_minutes") && html`<div class="field"><label for="labour">${say("labour")}</label>
      <input id="labour" inputmode="decimal" type="number" min="0" max="100000" value=${given.labour_minutes ?? ""} onInput=${(event) => change({ labour_minutes: event.target.value === "" ? undefined : Number(event.target.value) })} /></div>`}
    ${question?.asks.includes("note") && html`<div class="field"><label for="why-failed">${say("made_it_fail")}</label>
      <input id="why-failed" maxlength="2000" value=${given.note ?? ""} onInput=${(event) => change({ note: event.target.value })} /></div>`}
    <div class="choices big">
      ${last
        ? html`<button type="button" class="button strong" disabled=${!ready} onClick=${close}>${say("close_it")}</button>`
        : html`<button type="button" class="button strong" disabled=${!ready} onClick=${() => setPlace(place + 1)}>${say("next")}</button>`}
      ${place > 0 && html`<button type="button" class="button" onClick=${() => setPlace(place - 1)}>${say("back")}</button>`}
    </div></section>`;
}

/** What the service takes for likely, then the leading suspects. */
function likely(question, advice) {
  const told = question.choices.map((one) => `${one.part} ${one.mode}`);
  const led = advice.suspects.filter((one) => one.part !== "unlisted").slice(0, CHOICES).map((one) => `${one.part} ${one.mode}`);
  return [...new Set([...told, ...led])].slice(0, CHOICES + 1).map((one) => one.split(" "));
}

function Cause({ machine, choices, given, change }) {
  const pick = (part, mode) => () => change({ cause_part: part, cause_mode: mode, cause_seen: part === undefined || part === "unlisted" ? undefined : given.cause_seen });
  const chosen = (part, mode) => "cause_part" in given && given.cause_part === part && given.cause_mode === mode;
  const radio = (part, mode, words) => html`<label class="choice" key=${words}><input type="radio" name="cause" checked=${chosen(part, mode)} onChange=${pick(part, mode)} />${words}</label>`;
  const known = given.cause_part !== undefined && given.cause_part !== "unlisted";
  return html`<fieldset><legend>${say("cause_what")}</legend>
      ${choices.map(([part, mode]) => radio(part, mode, faultWords(machine, part, mode)))}
      ${radio("unlisted", undefined, say("cause_else"))}
      ${radio(undefined, undefined, say("cause_none"))}</fieldset>
    ${known && html`<fieldset><legend>${say("cause_seen")}</legend>
      ${[true, false].map((seen) => html`<label class="choice" key=${seen}><input type="radio" name="seen" checked=${given.cause_seen === seen} onChange=${() => change({ cause_seen: seen })} />${say(seen ? "yes" : "no")}</label>`)}</fieldset>`}`;
}
