// Every test, best first; any may be taken out of turn.
import { useEffect, useState } from "./vendor/hooks.mjs";
import { html } from "./html.mjs";
import { minutes, rate, say } from "./words.mjs";

export function List({ bench }) {
  const [wanted, setWanted] = useState("");
  useEffect(() => { bench.listAll(); }, []);
  const { advice, machine } = bench;
  const fits = (one) => one.title.toLowerCase().includes(wanted.trim().toLowerCase());
  const offered = new Set(advice.tests.map((one) => one.test));
  const others = machine.tests.filter((one) => !offered.has(one.id) && fits(one));
  const line = (id, title, told) => html`<li key=${id}><a class="row" href=${`#/job/${bench.id}/test/${id}`}><span>${title}</span><small>${told}</small></a></li>`;
  const open = advice.while_open.filter(fits);
  return html`<section class="list" aria-labelledby="list-title">
    <h2 id="list-title" tabindex="-1">${say("all_tests")}</h2>
    <p class="small">${say("list_told")}</p>
    <div class="field"><label for="find">${say("find_test")}</label>
      <input id="find" type="search" value=${wanted} onInput=${(event) => setWanted(event.target.value)} /></div>
    ${open.length > 0 && html`<h3>${say("while_open")}</h3>
      <ol class="rows">${open.slice(0, 4).map((one) => line(one.test, one.title, `${say("list_line", { minutes: minutes(one.minutes), rate: rate(one.bits_per_minute) })}; ${say("saved", { minutes: minutes(one.saved_minutes) })}`))}</ol>
      <h3>${say("list")}</h3>`}
    <ol class="rows">${advice.tests.filter(fits).map((one) => line(one.test, one.title, `${say("list_line", { minutes: minutes(one.minutes), rate: rate(one.bits_per_minute) })}${one.worth_doing ? `; ${say("worth")}` : ""}`))}</ol>
    ${others.length > 0 && html`<h3>${say("not_offered")}</h3><ol class="rows">${others.map((one) => line(one.id, one.title, ""))}</ol>`}
  </section>`;
}
