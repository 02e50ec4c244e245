// A new job in one screen.
import { useEffect, useState } from "./vendor/hooks.mjs";
import { machineOf } from "./machines.mjs";
import * as client from "./client.mjs";
import { html } from "./html.mjs";
import * as kept from "./kept.mjs";
import { say } from "./words.mjs";

const NOTICED = 8;
const SURE = 0.9;
const EMPTY = { machine: "", complaint: "", unsure: false, reference: "", without: [], noticed: {}, celsius: "20" };

export function Opening({ failed }) {
  const [machines, setMachines] = useState(null);
  const [machine, setMachine] = useState(null);
  const [form, setForm] = useState(null);
  const [error, setError] = useState(null);
  const [busy, setBusy] = useState(false);
  useEffect(() => {
    Promise.all([client.machines(), kept.get("draft new")]).then(([told, draft]) => {
      setMachines(told.machines);
      setForm(draft ?? EMPTY);
    }, failed);
  }, []);
  useEffect(() => {
    if (form?.machine) machineOf(form.machine).then(setMachine, failed);
  }, [form?.machine]);
  if (form === null) return html`<p>${say("loading")}</p>`;
  const change = (more) => {
    const next = { ...form, ...more };
    setForm(next);
    kept.put("draft new", next);
  };
  const here = machine?.id === form.machine ? machine : null;
  const start = async () => {
    setBusy(true);
    try {
      const once = form.once ?? client.onceKey();
      change({ once });
      const id = await opened(form, here, once);
      await kept.drop("draft new");
      location.hash = `#/job/${id}`;
    } catch (problem) {
      setError(problem);
      setBusy(false);
      if (problem instanceof client.Refused) change({ once: undefined });
      failed(problem);
    }
  };
  return html`<main class="opening"><h1 tabindex="-1">${say("open_title")}</h1>
    <fieldset class="grid"><legend>${say("which_machine")}</legend>
      ${machines.map((one) => html`<label class="choice" key=${one.id}><input type="radio" name="machine" checked=${form.machine === one.id} onChange=${() => change({ ...EMPTY, machine: one.id, reference: form.reference, once: undefined })} />${one.title}</label>`)}</fieldset>
    ${here && html`<fieldset class="grid"><legend>${say(form.unsure ? "what_does" : "what_said")}</legend>
      ${here.complaints.map((one) => html`<label class="choice" key=${one.id}><input type="radio" name="complaint" checked=${form.complaint === one.id} onChange=${() => change({ complaint: one.id, once: undefined })} />${one.title}</label>`)}
      ${tryOf(here) && html`<label class="choice"><input type="checkbox" checked=${form.unsure} onChange=${(event) => change({ unsure: event.target.checked, once: undefined })} />${say("not_sure")}</label>`}
      ${form.unsure && html`<p class="small">${say("not_sure_told")}</p>`}</fieldset>
    <div class="field"><label for="reference">${say("reference")}</label>
      <input id="reference" maxlength="100" value=${form.reference} onInput=${(event) => change({ reference: event.target.value, once: undefined })} /></div>
    <details><summary>${say("tools_here")}</summary><p class="small">${say("tools_told")}</p>
      ${here.tools.filter((one) => one.id !== "none").map((one) => html`<label class="choice" key=${one.id}><input type="checkbox" checked=${!form.without.includes(one.id)} onChange=${() => change({ without: form.without.includes(one.id) ? form.without.filter((id) => id !== one.id) : [...form.without, one.id], once: undefined })} />${one.title}</label>`)}
      <div class="field"><label for="celsius">${say("celsius")}</label><input id="celsius" type="number" min="-40" max="60" value=${form.celsius} onInput=${(event) => change({ celsius: event.target.value, once: undefined })} /></div></details>
    <details><summary>${say("noticed")}</summary><p class="small">${say("noticed_told")}</p>
      ${atGlance(here).map((test) => html`<div class="field" key=${test.id}><label for=${`see-${test.id}`}>${test.title}</label>
        <select id=${`see-${test.id}`} value=${form.noticed[test.id] ?? ""} onChange=${(event) => change({ noticed: { ...form.noticed, [test.id]: event.target.value }, once: undefined })}>
          <option value="">${say("not_looked")}</option>${test.outcomes.map((one) => html`<option key=${one.id} value=${one.id}>${one.title}</option>`)}</select></div>`)}</details>`}
    ${error && html`<p class="warn" role="alert">${say("error", { detail: error instanceof client.Away ? say("away") : error.message })}</p>`}
    <div class="choices big"><button type="button" class="button strong" disabled=${busy || !here || !form.complaint} onClick=${start}>${say(here && form.complaint ? "start" : "choose_first")}</button></div>
  </main>`;
}

/** The test that tries the machine: its results are the complaints. */
function tryOf(machine) {
  const complaints = new Set(machine.complaints.map((one) => one.id));
  return machine.tests.find((one) => one.outcomes.filter((end) => complaints.has(end.id)).length > 1);
}

/** What can be seen without a tool and without opening anything. */
function atGlance(machine) {
  const trying = tryOf(machine)?.id;
  const quick = machine.tests.filter((one) => one.id !== trying && one.tool === "none" && one.area === null && one.unit === null && one.condition === null);
  return quick.sort((a, b) => a.minutes - b.minutes).slice(0, NOTICED);
}

async function opened(form, machine, once) {
  const tools = machine.tools.map((one) => one.id).filter((id) => !form.without.includes(id));
  const by = (await kept.get("name")) ?? "";
  const job = await client.open({
    machine: form.machine,
    complaint: form.complaint,
    shop_reference: form.reference.trim() || null,
    tools: form.without.length ? tools : [],
    temperature_celsius: Number(form.celsius) || 0,
    by,
  }, once);
  const seen = Object.entries(form.noticed).filter(([, outcome]) => outcome);
  const steps = seen.map(([test, outcome]) => ({ kind: "finding", test, outcome, sure: SURE, by }));
  if (form.unsure) steps.unshift({ kind: "finding", test: tryOf(machine).id, outcome: form.complaint, by });
  if (steps.length) await client.record(job.job, job.version, steps, `${once}-seen`);
  return job.job;
}
