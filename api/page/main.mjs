// The page: which view stands in the address, and one job kept in step with the service.
import { render } from "./vendor/preact.mjs";
import { useEffect, useReducer, useRef, useState } from "./vendor/hooks.mjs";
import { Bench } from "./bench.mjs";
import * as client from "./client.mjs";
import { History, Outbox } from "./history.mjs";
import { Go, html } from "./html.mjs";
import * as kept from "./kept.mjs";
import { Now } from "./now.mjs";
import { outbox, setAway, startOutbox } from "./outbox.mjs";
import { complaintTitle, partTitle, stepWords } from "./steps.mjs";
import { say } from "./words.mjs";

let views = null, asked = null;
const [Around, Card, Closing, Drawing, Keys, List, Opening, Priors, Sheet, Shop, Suspects] =
  ["Around", "Card", "Closing", "Drawing", "Keys", "List", "Opening", "Priors", "Sheet", "Shop", "Suspects"].map(later);
const VIEWS = { list: List, suspects: Suspects, history: History, around: Around, close: Closing, sheet: Sheet, card: Card };
const TABS = [["", "now"], ["list", "list"], ["suspects", "suspects"], ["history", "history"], ["around", "around"], ["sheet", "papers"]];

/** All views but the first, together: the first card waits for none of them, and without a connection none
 * could be fetched. */
function fetchViews() {
  return (asked ??= import("./views.mjs").then((module) => (views = module.views), () => (asked = null)));
}

/** A view that is shown once it is here. */
function later(name) {
  return function Later(props) {
    const [, redraw] = useReducer((count) => count + 1, 0);
    useEffect(() => { if (views === null) fetchViews().then(redraw); }, []);
    return views === null ? null : html`<${views[name]} ...${props} />`;
  };
}

/** `#/job/ID/VIEW/NAME`, `#/new`, `#/priors/MACHINE`, `#/key`; else the shop. */
function route() {
  const [page = "", id = "", view = "", name = ""] = location.hash.replace(/^#\//, "").split("/").map(decodeURIComponent);
  if (page === "job" && id) return { page, id, view, name };
  return { page: ["new", "key", "priors"].includes(page) ? page : "shop", id: page === "priors" ? id : "", view: "", name: "" };
}

function App() {
  const [at, setAt] = useState(route());
  const came = useRef(null);
  useEffect(() => {
    const moved = () => setAt(route());
    addEventListener("hashchange", moved);
    outbox.onNoKey = () => {
      if (route().page !== "key") came.current = location.hash;
      location.hash = "#/key";
    };
    startOutbox();
    return () => removeEventListener("hashchange", moved);
  }, []);
  const failed = (error) => {
    if (error instanceof client.Away) setAway(true);
    else if (error instanceof client.Refused && error.status === 401) outbox.onNoKey();
    else if (!(error instanceof client.Refused)) throw error;
  };
  useFocus(`${at.page} ${at.id} ${at.view} ${at.name}`);
  const entered = () => { location.hash = came.current && came.current !== "#/key" ? came.current : "#/"; };
  return html`<header class="top no-print"><a class="mark" href="#/">${say("bench")}</a>
      <nav aria-label=${say("bench")}><${Go} place="" current=${at.page === "shop"}>${say("shop")}<//><${Go} place="new" current=${at.page === "new"}>${say("new_job")}<//></nav></header>
    ${at.page === "key" && html`<${Keys} entered=${entered} />`}
    ${at.page === "new" && html`<${Opening} failed=${failed} />`}
    ${at.page === "shop" && html`<${Shop} failed=${failed} />`}
    ${at.page === "priors" && html`<${Priors} name=${at.id} failed=${failed} />`}
    ${at.page === "job" && html`<${Job} key=${at.id} at=${at} />`}`;
}

/** After a change of view, reading goes on at its heading. */
function useFocus(place) {
  const first = useRef(true);
  useEffect(() => {
    if (first.current) { first.current = false; return; }
    if (place.split(" ")[2] === "part") return;
    const heading = document.querySelector("main h1[tabindex], main h2[tabindex]");
    heading?.focus({ preventScroll: true });
    scrollTo(0, 0);
  }, [place]);
}

function Job({ at }) {
  const [, redraw] = useReducer((count) => count + 1, 0);
  const bench = useRef(null);
  const [draft, keepDraft] = useState(null);
  const wanted = at.view === "test" ? at.name : null;
  useEffect(() => {
    const mine = new Bench(at.id, redraw);
    bench.current = mine;
    mine.start(wanted);
    outbox.onAnswer = (job, details) => job === mine.id && mine.take(details).catch((error) => mine.failed(error));
    outbox.listeners.add(redraw);
    kept.get(`draft ${at.id}`).then((known) => keepDraft(known ?? null));
    return () => { mine.stop(); outbox.listeners.delete(redraw); };
  }, []);
  useEffect(() => { bench.current?.want(wanted); }, [wanted]);
  const setDraft = (next) => { keepDraft(next); kept.put(`draft ${at.id}`, next); };
  const mine = bench.current;
  useEffect(() => { if (draft !== null && mine?.advice?.version > (draft.version ?? Infinity)) setDraft(null); }, [mine?.advice?.version]);
  if (mine === null || mine.advice === null || mine.machine === null) {
    return html`<main><${Outbox} /><p class="lead">${mine?.error ? say("error", { detail: mine.error.message }) : say("loading")}</p></main>`;
  }
  const View = VIEWS[at.view];
  const main = View
    ? html`<div class="single"><${View} bench=${mine} /></div>`
    : html`<div class="both-columns">
        <div><${Now} bench=${mine} route=${at} draft=${draft} setDraft=${(next) => setDraft({ ...next, version: mine.job.version })} /></div>
        <div class="beside"><${Drawing} bench=${mine} part=${at.view === "part" ? at.name : null} /><${Suspects} bench=${mine} full=${false} /></div></div>`;
  return html`<main class=${`job view-${at.view || "now"}`}>
    <div class="order-strip no-print"><h1>${mine.job.shop_reference ?? say("no_reference")} <span>${mine.machine.title}</span></h1>
      <p>${complaintTitle(mine.machine, mine.job.complaint_told)}</p></div>
    <nav class="tabs no-print" aria-label=${say("nav")}>${TABS.map(([view, words]) => html`<${Go} key=${view} place=${`job/${at.id}${view && `/${view}`}`} current=${at.view === view || (view === "" && !View)}>${say(words)}<//>`)}</nav>
    <div class="no-print"><${Outbox} bench=${mine} /></div>
    ${mine.news?.length > 0 && html`<p class="news no-print" role="status">${say("another", { steps: mine.news.map((step) => stepWords(mine.machine, step)).join("; ") })}</p>`}
    ${mine.error && html`<p class="warn no-print" role="alert">${say("error", { detail: mine.error.message })}</p>`}
    <p class="hidden" aria-live="polite">${announced(mine)}</p>
    ${main}</main>`;
}

/** What a screen reader says when advice is new. */
function announced(bench) {
  const { action, target } = bench.advice.verdict;
  if (action === "repair") {
    const [part, name] = target.split(".");
    const known = bench.machine.parts.find((one) => one.id === part)?.repairs.find((one) => one.id === name);
    return say("announce_repair", { title: `${partTitle(bench.machine, part)}: ${known?.title ?? ""}` });
  }
  if (action === "escalate" || action === "done") return say(`announce_${action}`);
  return bench.asked ? say("announce_test", { title: bench.asked.title, good: bench.asked.good }) : "";
}

render(html`<${App} />`, document.querySelector("#page"));
