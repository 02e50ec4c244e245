// What prints: the finding sheet, and the decision card for the wall.
import { useEffect, useRef, useState } from "./vendor/hooks.mjs";
import * as client from "./client.mjs";
import { Go, html } from "./html.mjs";
import { say, when } from "./words.mjs";

/** A document without its own style sheets, which the policy does not let in. */
export const unstyled = (text) => text.replace(/<style>[^<]*<\/style>/g, "");

function Head({ bench, title, told }) {
  return html`<div class="paper-head no-print"><h2 tabindex="-1">${title}</h2><p class="small">${told}</p>
    <div class="choices"><button type="button" class="button strong" onClick=${() => print()}>${say("print")}</button>
      <${Go} place=${`job/${bench.id}/sheet`}>${say("sheet")}<//><${Go} place=${`job/${bench.id}/card`}>${say("card")}<//></div></div>`;
}

export function Sheet({ bench }) {
  const [sheet, setSheet] = useState(null);
  useEffect(() => { client.sheet(bench.id).then(setSheet, (error) => bench.failed(error)); }, [bench.job.version]);
  const { job } = bench;
  return html`<section class="papers"><${Head} bench=${bench} title=${say("sheet")} told=${say("sheet_told")} />
    ${sheet === null ? html`<p>${say("loading")}</p>` : html`<article class="paper">
      <h1>${say("sheet")}</h1>
      <table class="form"><tbody>
        <tr><th scope="row">${say("order_no")}</th><td>${sheet.job}</td><th scope="row">${say("reference_short")}</th><td>${sheet.shop_reference ?? ""}</td></tr>
        <tr><th scope="row">${say("when")}</th><td>${when(sheet.changed_at)}</td><th scope="row">${say(`status_${job.status}`)}</th><td>${job.ended ? say(`ended_${job.ended}`) : ""}</td></tr></tbody></table>
      <p><strong>${sheet.machine}</strong></p><p>${sheet.complaint}</p>
      ${sheet.sections.map((section, place) => html`<section key=${place}>${section.heading && html`<h2>${section.heading}</h2>`}
        <ul>${section.lines.map((line, number) => html`<li key=${number}><span class="mark">${line.mark}</span><span>${line.text}</span></li>`)}</ul></section>`)}
      <p class="manual">${sheet.manual}</p></article>`}</section>`;
}

export function Card({ bench }) {
  const place = useRef(null);
  const [read, setRead] = useState(false);
  const { machine, complaint_seen: seen, complaint_told: told } = bench.job;
  const complaint = seen ?? told;
  useEffect(() => {
    let alive = true;
    client.card(machine, complaint).then((text) => {
      if (!alive) return;
      const page = new DOMParser().parseFromString(unstyled(text), "text/html");
      place.current.replaceChildren(document.importNode(page.querySelector("main"), true));
      place.current.querySelector(".drawing").tabIndex = 0; // what scrolls is reached by keyboard
      for (const link of place.current.querySelectorAll("a[href^='#step']")) link.replaceWith(link.textContent);
      const body = place.current.firstElementChild;
      const inner = document.createElement("div");
      inner.className = "card-page";
      inner.append(...body.childNodes);
      body.replaceWith(inner);
      setRead(true);
    }, (error) => bench.failed(error));
    return () => { alive = false; };
  }, [machine, complaint]);
  return html`<section class="papers"><${Head} bench=${bench} title=${say("card")} told=${say("card_told")} />
    ${!read && html`<p>${say("loading")}</p>`}<div class="paper wide" ref=${place}></div></section>`;
}
