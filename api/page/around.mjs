// What stands around a job: the complaint, what is open, tools, handing over, who works.
import { useEffect, useState } from "./vendor/hooks.mjs";
import { html } from "./html.mjs";
import * as kept from "./kept.mjs";
import { forgetKey, hasKey } from "./client.mjs";
import { HandOverNow } from "./repair.mjs";
import { say } from "./words.mjs";

export function Around({ bench }) {
  const { job, machine } = bench;
  const mean = (event) => bench.record([{ kind: "told", complaint: event.target.value }], say("complaint_now"));
  return html`<section class="around" aria-labelledby="around-title">
    <h2 id="around-title" tabindex="-1">${say("around_title")}</h2>
    <div class="field"><label for="means">${say("complaint_now")}</label>
      <select id="means" value=${job.complaint_told} onChange=${mean}>${machine.complaints.map((one) => html`<option key=${one.id} value=${one.id}>${one.title}</option>`)}</select></div>
    <${Areas} bench=${bench} />
    <${Tools} bench=${bench} />
    <${Name} />
    ${["open", "runs"].includes(job.status) && html`<h3>${say("give_up")}</h3><${HandOverNow} bench=${bench} />`}
  </section>`;
}

/** An area stands open where a test that needs it would open it no more. */
function Areas({ bench }) {
  const { machine, advice, steps } = bench;
  if (machine.areas.length === 0) return null;
  const area = new Map(machine.tests.map((one) => [one.id, one.area]));
  const stands = (id) => {
    const needs = advice.tests.find((one) => area.get(one.test) === id);
    if (needs) return !needs.opens.includes(id);
    const last = steps.findLast((step) => step.area === id);
    return last?.kind === "area_opened";
  };
  return html`<fieldset><legend>${say("areas")}</legend>${machine.areas.map((one) => {
    const open = stands(one.id);
    const act = () => bench.record([{ kind: open ? "area_closed" : "area_opened", area: one.id }], `${one.title}: ${say(open ? "area_closed" : "area_open")}`);
    return html`<label class="choice" key=${one.id}><input type="checkbox" checked=${open} onChange=${act} />${one.title}</label>`;
  })}</fieldset>`;
}

function Tools({ bench }) {
  const { machine, steps } = bench;
  const told = steps.findLast((step) => step.kind === "tools")?.tools ?? [];
  const every = machine.tools.filter((one) => one.id !== "none").map((one) => one.id);
  const [held, setHeld] = useState(new Set(told.length ? told : every));
  const turn = (id) => setHeld((before) => new Set(before.has(id) ? [...before].filter((one) => one !== id) : [...before, id]));
  const save = () => {
    const all = every.every((id) => held.has(id));
    const tools = all ? [] : machine.tools.map((one) => one.id).filter((id) => id === "none" || held.has(id));
    return bench.record([{ kind: "tools", tools }], say("tools_title"));
  };
  return html`<fieldset><legend>${say("tools_title")}</legend>
    ${machine.tools.filter((one) => one.id !== "none").map((one) => html`<label class="choice" key=${one.id}><input type="checkbox" checked=${held.has(one.id)} onChange=${() => turn(one.id)} />${one.title}</label>`)}
    <button type="button" class="button" onClick=${save}>${say("tools_save")}</button></fieldset>`;
}

function Name() {
  const [name, setName] = useState("");
  const [key, setKey] = useState(false);
  useEffect(() => {
    kept.get("name").then((known) => setName(known ?? ""));
    hasKey().then(setKey);
  }, []);
  const forget = async () => {
    await forgetKey();
    location.hash = "#/key";
  };
  return html`<div class="field"><label for="my-name">${say("my_name")}</label>
    <input id="my-name" maxlength="100" value=${name} onInput=${(event) => setName(event.target.value)} onChange=${(event) => kept.put("name", event.target.value)} /></div>
    ${key && html`<button type="button" class="button" onClick=${forget}>${say("key_forget")}</button>`}`;
}
