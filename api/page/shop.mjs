// The shop: open jobs with what each wants now, closed ones, parts likely to be ordered.
import { useEffect, useRef, useState } from "./vendor/hooks.mjs";
import { machineOf } from "./machines.mjs";
import * as client from "./client.mjs";
import { Go, html } from "./html.mjs";
import { Outbox } from "./history.mjs";
import { complaintTitle, partTitle, repairWords, testTitle } from "./steps.mjs";
import { minutes, price, say, when } from "./words.mjs";

const PAGE = 50;
const PAUSE_MS = 250;
const MOST_LISTED = 200;
const MOST_OPEN = 1_000;
const MOST_ADVISED = 30;
const WORTH_ORDERING = 0.15;
const OTHER_WORK = 403;
const AGAIN_MS = 10_000;

export function Shop({ failed }) {
  const [open, setOpen] = useState(null);
  const [page, setPage] = useState(null);
  const [machines, setMachines] = useState({});
  const [told, setTold] = useState({});
  const [search, setSearch] = useState("");
  const wanted = search.trim();
  const asked = useRef("");
  const ended = (error) => {
    if (error.status === OTHER_WORK) location.hash = "#/priors"; // an analyst's key sees no jobs
    else failed(error);
  };
  const meet = async (jobs) => {
    const names = [...new Set(jobs.map((one) => one.machine))];
    const known = Object.fromEntries(await Promise.all(names.map(async (name) => [name, await machineOf(name)])));
    setMachines((before) => ({ ...before, ...known }));
  };
  useEffect(() => {
    let alive = true, timer = null;
    const read = async () => {
      try {
        const jobs = (await Promise.all([everyJob("open"), everyJob("runs")])).flat().sort((a, b) => (a.opened_at < b.opened_at ? 1 : -1));
        await meet(jobs);
        if (!alive) return;
        setOpen(jobs);
        for (const job of jobs.slice(0, MOST_ADVISED)) {
          if (!alive) return;
          const advice = await client.advice(job.job, 1, 1);
          setTold((before) => ({ ...before, [job.job]: advice }));
        }
      } catch (error) {
        if (alive) ended(error);
      }
      if (alive) timer = setTimeout(read, AGAIN_MS);
    };
    read();
    return () => { alive = false; clearTimeout(timer); };
  }, []);
  /** A page of all jobs, or of those that have the words: the first, or the one behind what is shown. */
  const turn = async (cursor = null) => {
    try {
      const next = await client.jobs({ limit: PAGE, ...(wanted && { search: wanted }), ...(cursor && { cursor }) });
      await meet(next.jobs);
      if (asked.current === wanted) setPage((before) => ({ ...next, jobs: [...(cursor ? before.jobs : []), ...next.jobs] }));
    } catch (error) {
      ended(error);
    }
  };
  useEffect(() => {
    asked.current = wanted;
    const timer = setTimeout(turn, wanted ? PAUSE_MS : 0);
    return () => clearTimeout(timer);
  }, [wanted]);
  const closed = (page?.jobs ?? []).filter((job) => !isOpen(job));
  return html`<main class="shop"><div class="shop-head"><h1 tabindex="-1">${say("shop_title")}</h1>
      <${Go} place="new" look="strong">${say("new_job")}<//></div>
    <${Outbox} />
    ${open === null ? html`<p>${say("loading")}</p>` : open.length === 0 && html`<p class="lead">${say("none_open")}</p>`}
    <ul class="orders">${(open ?? []).map((job) => html`<${Order} key=${job.job} job=${job} machine=${machines[job.machine]} advice=${told[job.job]} />`)}</ul>
    <${ToOrder} open=${open ?? []} told=${told} machines=${machines} />
    <section aria-labelledby="closed-title"><h2 id="closed-title">${say("closed_title")}</h2>
      <div class="field"><label for="search">${say("search")}</label><input id="search" type="search" value=${search} onInput=${(event) => setSearch(event.target.value)} /></div>
      <ul class="rows">${closed.map((job) => html`<li key=${job.job}><a class="row" href=${`#/job/${job.job}`}><span>${job.shop_reference ?? say("no_reference")}, ${machines[job.machine].title}: ${complaintTitle(machines[job.machine], job.complaint_told)}</span><small>${say(`status_${job.status}`)}${job.cause_part ? `; ${partTitle(machines[job.machine], job.cause_part)}` : ""}; ${when(job.changed_at)}</small></a></li>`)}</ul>
      ${page && closed.length === 0 && html`<p>${say("none_found")}</p>`}
      ${page?.cursor && html`<button type="button" class="button" onClick=${() => turn(page.cursor)}>${say("more")}</button>`}</section>
    <p><${Go} place="priors">${say("priors_link")}<//></p>
  </main>`;
}

const isOpen = (job) => job.status === "open" || job.status === "runs";

async function everyJob(status) {
  const jobs = [];
  for (let cursor = null; ;) {
    const page = await client.jobs({ status, limit: MOST_LISTED, ...(cursor && { cursor }) });
    jobs.push(...page.jobs);
    cursor = page.cursor;
    if (cursor === null || jobs.length >= MOST_OPEN) return jobs;
  }
}

function Order({ job, machine, advice }) {
  const spent = (Date.now() - new Date(job.opened_at)) / 60_000;
  return html`<li class="order"><a href=${`#/job/${job.job}`}>
    <span class="order-head"><strong>${job.shop_reference ?? say("no_reference")}</strong> ${machine.title}</span>
    <span>${complaintTitle(machine, job.complaint_told)}${job.complaint_seen && job.complaint_seen !== job.complaint_told ? `; ${say("seen_on_trying")}: ${complaintTitle(machine, job.complaint_seen)}` : ""}</span>
    <span class="do">${advice ? doWords(machine, advice) : say("loading")}</span>
    <small>${sinceOpened(Math.max(spent, 0))}${advice && left(advice) !== null ? `; ${say("left", { minutes: minutes(left(advice)) })}` : ""}</small></a></li>`;
}

/** In the unit in which somebody would say it. */
function sinceOpened(spent) {
  if (spent < 120) return say("on_clock", { minutes: minutes(spent) });
  if (spent < 48 * 60) return say("on_clock_hours", { hours: Math.round(spent / 60) });
  return say("on_clock_days", { days: Math.round(spent / 60 / 24) });
}

function doWords(machine, advice) {
  const { action, target } = advice.verdict;
  if (action === "test" || action === "recheck") return `${say(action === "test" ? "do_next" : "do_again")}: ${testTitle(machine, target)}`;
  if (action === "repair") return `${say("repair_it")}: ${repairWords(machine, ...target.split("."))}`;
  return say(action === "done" ? "runs" : "hand_over");
}

/** Minutes expected by the best of the likely repairs, without further tests. */
function left(advice) {
  const each = advice.likely_repairs.map((one) => one.minutes + one.minutes_to_go);
  return each.length ? Math.min(...each) : null;
}

function ToOrder({ open, told, machines }) {
  const parts = new Map();
  for (const job of open) {
    const counted = new Set();
    for (const one of told[job.job]?.likely_repairs ?? []) {
      if (counted.has(one.part)) continue; // of several repairs of a part the likeliest counts
      counted.add(one.part);
      if (one.price_eur <= 0) continue;
      const name = `${machines[job.machine].title}: ${repairWords(machines[job.machine], one.part, one.repair)}`;
      const before = parts.get(name) ?? { count: 0, price: one.price_eur };
      parts.set(name, { ...before, count: before.count + one.chance });
    }
  }
  const likely = [...parts].filter(([, one]) => one.count >= WORTH_ORDERING).sort((a, b) => b[1].count - a[1].count);
  return html`<section aria-labelledby="order-title"><h2 id="order-title">${say("to_order")}</h2><p class="small">${say("to_order_told")}</p>
    <ul class="rows">${likely.map(([name, one]) => html`<li key=${name} class="row"><span>${name}</span><small>${say("order_line", { count: one.count.toFixed(1), price: price(one.price) })}</small></li>`)}
    ${likely.length === 0 && html`<li>${say("nothing_to_order")}</li>`}</ul></section>`;
}
