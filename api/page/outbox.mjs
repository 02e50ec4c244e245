// Steps on their way: each is kept in this browser before it is sent, and until it is answered.
import { Away, onceKey, record, Refused } from "./client.mjs";
import * as kept from "./kept.mjs";

const AGAIN_MS = 1_500;
const CHANGED = 412;
const IN_FLIGHT = 409;
const NO_KEY = 401;

/** `entries` in order: job, version they go on from, steps, words; `state`, `added`, `detail`. */
export const outbox = { entries: [], away: false, listeners: new Set(), onAnswer: () => {}, onNoKey: () => {} };

let sending = null;
let timer = null;

function told() {
  for (const listener of outbox.listeners) listener();
}

async function read() {
  outbox.entries = await kept.waiting();
  told();
}

export async function startOutbox() {
  await read();
  send();
  addEventListener("online", send);
}

/** Keep steps and send them; `version` is the one that was read. Resolves when they are kept. */
export async function put(job, version, steps, words) {
  const before = outbox.entries.filter((entry) => entry.job === job);
  const ahead = before.reduce((count, entry) => count + entry.steps.length, 0);
  const entry = { job, version: version + ahead, steps, words, key: onceKey(), state: "waiting" };
  const number = await kept.keep(entry);
  outbox.entries = [...outbox.entries, { ...entry, number }];
  told();
  send();
}

export function send() {
  clearTimeout(timer);
  sending ??= sendAll().finally(() => {
    sending = null;
    if (outbox.entries.some((entry) => entry.state === "waiting")) timer = setTimeout(() => read().then(send), AGAIN_MS);
  });
  return sending;
}

async function sendAll() {
  const held = new Set();
  for (;;) {
    for (const entry of outbox.entries) if (entry.state !== "waiting") held.add(entry.job);
    const entry = outbox.entries.find((one) => one.state === "waiting" && !held.has(one.job));
    if (entry === undefined || !(await sendOne(entry))) return;
  }
}

/** Whether to go on with the next. */
async function sendOne(entry) {
  try {
    const details = await record(entry.job, entry.version, entry.steps, entry.key);
    setAway(false);
    outbox.onAnswer(entry.job, details); // should the entry stay behind, it is sent again and changes nothing
    await kept.unkeep(entry.number);
    outbox.entries = outbox.entries.filter((one) => one.number !== entry.number);
    told();
    return true;
  } catch (error) {
    return refused(entry, error);
  }
}

async function refused(entry, error) {
  if (error instanceof Away) {
    setAway(true);
    return false;
  }
  if (!(error instanceof Refused)) throw error;
  setAway(false);
  if (error.status === NO_KEY) {
    outbox.onNoKey();
    return false;
  }
  if (error.status === IN_FLIGHT && error.problem.type?.endsWith("in-flight")) return false;
  const changed = error.status === CHANGED;
  const about = { detail: error.message, added: error.problem.added ?? [], now: error.problem.version };
  await kept.keep({ ...entry, state: changed ? "conflict" : "refused", ...about });
  await read();
  return true;
}

export function setAway(away) {
  if (outbox.away === away) return;
  outbox.away = away;
  told();
}

/** What was held back goes on from a later version. */
export async function keepMine(entry, version) {
  await rebase(entry.job, version);
  send();
}

/** What was held back is left out; what waited behind it goes on from a later version. */
export async function leaveOut(entry, version) {
  await kept.unkeep(entry.number);
  await rebase(entry.job, version);
  send();
}

async function rebase(job, version) {
  let next = version;
  for (const entry of await kept.waiting()) {
    if (entry.job !== job) continue;
    const { number, steps, words } = entry;
    await kept.keep({ number, job, version: next, steps, words, key: onceKey(), state: "waiting" });
    next += steps.length;
  }
  await read();
}
