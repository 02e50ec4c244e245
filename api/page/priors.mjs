// Priors learnt from closed jobs: before and after, what is not known, whether to believe them; adopt and roll back.
import { useEffect, useState } from "./vendor/hooks.mjs";
import { Calibration } from "./calibration.mjs";
import * as client from "./client.mjs";
import { Go, html } from "./html.mjs";
import * as kept from "./kept.mjs";
import { NotKnown, Others, Rates } from "./rates.mjs";
import { amount, say, when } from "./words.mjs";

const MOST_BYTES = 60_000;

export function Priors({ name, failed }) {
  return name ? html`<${OfMachine} key=${name} name=${name} failed=${failed} />` : html`<${Machines} failed=${failed} />`;
}

function Machines({ failed }) {
  const [machines, setMachines] = useState(null);
  useEffect(() => { client.machines().then((told) => setMachines(told.machines), failed); }, []);
  return html`<main class="priors"><h1 tabindex="-1">${say("priors_title")}</h1><p class="lead">${say("priors_told")}</p>
    ${machines === null ? html`<p>${say("loading")}</p>` : html`<h2>${say("which_machine")}</h2>
      <ul class="rows">${machines.map((one) => html`<li key=${one.id}><a class="row" href=${`#/priors/${one.id}`}><span>${one.title}</span></a></li>`)}</ul>`}
  </main>`;
}

function OfMachine({ name, failed }) {
  const [told, setTold] = useState(null);
  const [file, setFile] = useState(null);
  const [wrong, setWrong] = useState(null);
  const [done, setDone] = useState("");
  const [busy, setBusy] = useState(false);
  const read = () => client.priors(name).then(setTold, refused);
  useEffect(() => { read(); }, []);
  function refused(error) {
    if (error instanceof client.Refused && error.status !== 401) setWrong(error);
    else failed(error);
  }
  const take = async (event) => {
    const chosen = event.target.files[0];
    event.target.value = "";
    if (!chosen) return;
    setWrong(null);
    setDone("");
    setFile(null);
    if (chosen.size > MOST_BYTES) return setWrong({ message: say("file_long", { most: MOST_BYTES / 1000 }) });
    try {
      const text = await chosen.text();
      setFile({ name: chosen.name, text, once: client.onceKey(), told: await client.checkPriors(name, text) });
    } catch (error) {
      refused(error);
    }
  };
  const decide = async (what, words) => {
    setBusy(true);
    setWrong(null);
    try {
      const by = (await kept.get("name")) ?? "";
      await what(by, told.in_use?.adoption.adoption ?? 0);
      setFile(null);
      setDone(words);
    } catch (error) {
      refused(error);
    }
    setBusy(false);
    await read();
  };
  if (told === null) return html`<main class="priors"><p>${wrong ? say("error", { detail: wrong.message }) : say("loading")}</p></main>`;
  const shown = file?.told ?? told.in_use;
  return html`<main class="priors">
    <h1 tabindex="-1">${say("priors_of", { machine: told.title })}</h1>
    <${InUse} told=${told} />
    <p role="status" class="done">${done}</p>
    ${wrong && html`<${Wrong} error=${wrong} />`}
    ${told.may_decide ? html`<${Decide} told=${told} file=${file} busy=${busy} take=${take} away=${() => setFile(null)}
        adopt=${() => decide((by, now) => client.adoptPriors(name, file.text, by, now, file.once), say("adopted"))}
        back=${(once) => decide((by, now) => client.rollBackPriors(name, by, now, once), say("rolled_back"))} />`
      : html`<p>${say("may_read")}</p>`}
    ${shown?.fits && html`<h2 class="part-title">${file ? say("figures_of_file", { file: file.name }) : say("figures_in_use")}</h2>
      <p>${learntFrom(shown)}</p>
      <${Verdict} judged=${shown.judged} />
      <${Rates} priors=${shown} /><${NotKnown} priors=${shown} /><${Others} priors=${shown} />
      ${shown.judged && html`<${Calibration} judged=${shown.judged} />`}`}
    <${Earlier} told=${told} />
    <p><${Go} place="priors">${say("other_machine")}<//></p>
  </main>`;
}

const learntFrom = (priors) => say("learnt_from", { orders: priors.orders, version: priors.priors_version }) +
  (priors.window_from ? ` ${say("window", { from: priors.window_from, to: priors.window_to })}` : "");

function InUse({ told }) {
  const { in_use: now } = told;
  return html`<section class="card" aria-labelledby="in-use"><p class="stamp">${say("in_use")}</p>
    <h2 id="in-use">${now ? say("in_use_taken", { when: when(now.adoption.adopted_at), by: now.adoption.adopted_by }) : say("in_use_own")}</h2>
    <p>${say(now ? "in_use_told" : "in_use_own_told")}</p>
    ${now && !now.fits && html`<p class="warn">${say("no_fit")}</p><p>${now.why_not}</p>`}</section>`;
}

function Wrong({ error }) {
  const problems = error.problem?.problems ?? [];
  return html`<section class="held" role="alert"><h3>${say("not_taken")}</h3><p>${error.message}</p>
    ${problems.length > 0 && html`<ol class="problems">${problems.map((one, place) => html`<li key=${place}>${say("line", { line: one.line })}: ${one.message}</li>`)}</ol>`}</section>`;
}

function Decide({ told, file, busy, take, away, adopt, back }) {
  const [asked, setAsked] = useState(null);
  const before = told.adoptions.find((one) => !one.holds && one.rolled_back_at === null && one.adoption < (told.in_use?.adoption.adoption ?? 0));
  return html`<section class="decide" aria-labelledby="decide-title"><h2 id="decide-title">${say("decide")}</h2>
    <div class="field"><label for="priors-file">${say("choose_file")}</label>
      <input id="priors-file" type="file" accept=".yaml,.yml" onChange=${take} /></div>
    ${file && html`<div class="held"><h3>${say("adopt_ask", { file: file.name })}</h3>
      <p>${changes(file.told)} ${say("from_now")}</p><p>${say("open_keep")}</p>
      ${file.told.judged?.verdict === "keep" && html`<p class="warn">${say("judged_keep")}</p>`}
      <div class="choices"><button type="button" class="button strong" disabled=${busy} onClick=${adopt}>${say("adopt")}</button>
        <button type="button" class="button" disabled=${busy} onClick=${away}>${say("put_away")}</button></div></div>`}
    ${told.in_use && !file && asked === null && html`<div class="choices"><button type="button" class="button" onClick=${() => setAsked(client.onceKey())}>${say("roll_back")}</button></div>`}
    ${told.in_use && !file && asked !== null && html`<div class="held"><h3>${say("roll_back_ask")}</h3>
      <p>${before ? say("back_to", { when: when(before.adopted_at), by: before.adopted_by }) : say("back_to_own")} ${say("from_now")}</p><p>${say("open_keep")}</p>
      <div class="choices"><button type="button" class="button strong" disabled=${busy} onClick=${async () => { await back(asked); setAsked(null); }}>${say("roll_back")}</button>
        <button type="button" class="button" disabled=${busy} onClick=${() => setAsked(null)}>${say("leave_so")}</button></div></div>`}
  </section>`;
}

/** What would be different, in a sentence. */
function changes(priors) {
  const known = priors.rates.filter((one) => one.known);
  const up = known.filter((one) => one.refitted > one.shipped).length;
  return say("changes", { known: known.length, up, down: known.length - up, rest: priors.rates.length - known.length });
}

function Verdict({ judged }) {
  if (!judged) return html`<p>${say("not_judged")}</p>`;
  return html`<section class="verdict"><h3>${say(`verdict_${judged.verdict}`)}</h3><p>${judged.reason}</p>
    ${judged.scores.length > 0 && html`<div class="scroll" tabindex="0" role="group" aria-label=${say("scores")}><table class="form numbers"><caption>${say("scores")}</caption><thead><tr><th scope="col">${say("measure")}</th><th scope="col">${say("before")}</th><th scope="col">${say("after")}</th></tr></thead>
      <tbody>${judged.scores.map((one) => html`<tr key=${one.title}><th scope="row">${one.title}</th><td>${amount(one.shipped)}</td><td>${amount(one.refitted)}</td></tr>`)}</tbody></table></div>`}</section>`;
}

function Earlier({ told }) {
  if (told.adoptions.length === 0) return null;
  const state = (one) => one.holds ? say("holds") : one.rolled_back_at ? say("went_back", { when: when(one.rolled_back_at), by: one.rolled_back_by }) : say("replaced");
  return html`<section aria-labelledby="earlier"><h2 id="earlier">${say("earlier")}</h2><ol class="steps">
    ${told.adoptions.map((one) => html`<li key=${one.adoption}><span>${say("taken", { when: when(one.adopted_at), by: one.adopted_by })}</span><small>${state(one)}; ${say("file_hash", { hash: one.hash.slice(0, 12) })}</small></li>`)}</ol></section>`;
}
