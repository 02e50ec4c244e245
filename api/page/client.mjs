// The public API, and nothing else of the service.
import { benchPath, KEYED } from "./early.mjs";
import * as kept from "./kept.mjs";
import { note, noted } from "./noted.mjs";

/** The service did not answer: no network, or it is busy. */
export class Away extends Error {}

/** The service answered no; `problem` is its problem document (RFC 9457). */
export class Refused extends Error {
  constructor(status, problem) {
    super(problem.detail ?? problem.title ?? String(status));
    this.status = status;
    this.problem = problem;
  }
}

const LATER = new Set([429, 499, 502, 503, 504]);
const NO_KEY = 401;
const PATIENCE_MS = 20_000;
const STEPS_MS = 8_000; // sent again under the same key, so that giving up early costs nothing

let key = null;
let keyRead = null;

const readKey = () => (keyRead ??= kept.get("key").then((known) => (key = known ?? null), () => null));

export async function useKey(text) {
  key = text;
  keyRead = Promise.resolve();
  note(KEYED, "yes");
  await kept.put("key", text);
}

export async function forgetKey() {
  key = null;
  keyRead = Promise.resolve();
  note(KEYED, null);
  await kept.drop("key");
}

export async function hasKey() {
  await readKey();
  return key !== null;
}

async function ask(method, path, how = {}) {
  if (noted(KEYED) !== null) await readKey();
  try {
    return await asked(method, path, how);
  } catch (error) {
    if (keyRead !== null || error.status !== NO_KEY || !(await hasKey())) throw error;
    return asked(method, path, how); // there is a key, though it was not noted
  }
}

async function asked(method, path, { body, headers = {}, as = "json", patience = PATIENCE_MS }) {
  const sent = { ...headers };
  if (key !== null) sent.Authorization = `Bearer ${key}`;
  if (body !== undefined) sent["Content-Type"] = "application/json";
  let answer, text;
  try {
    answer = await fetch(path, {
      method,
      headers: sent,
      body: body === undefined ? undefined : JSON.stringify(body),
      signal: AbortSignal.timeout(patience),
    });
    text = await answer.text();
  } catch (error) {
    throw new Away(String(error));
  }
  if (LATER.has(answer.status)) throw new Away(`${answer.status}`);
  if (!answer.ok) throw new Refused(answer.status, parsed(text));
  if (as === "text") return text;
  return JSON.parse(text);
}

function parsed(text) {
  try {
    return JSON.parse(text);
  } catch {
    return { detail: text.slice(0, 200) };
  }
}

const id = encodeURIComponent;

export const machines = () => ask("GET", "/v1/machines");
export const machine = (name) => ask("GET", `/v1/machines/${id(name)}`);
export const card = (name, complaint) =>
  ask("GET", `/v1/machines/${id(name)}/card?complaint=${id(complaint)}`, { as: "text" });
export const jobs = (filters) => ask("GET", `/v1/jobs?${new URLSearchParams(filters)}`);
export const job = (name) => ask("GET", `/v1/jobs/${id(name)}`);
export const advice = (name, tests, suspects) =>
  ask("GET", `/v1/jobs/${id(name)}/advice?${new URLSearchParams({ tests, suspects })}`);

/** Job, advice, test and machine at once; the machine is null where this tablet has it. */
export const bench = (name, test, tests, suspects) => ask("GET", benchPath(name, test, tests, suspects));

/** `test` for the test that is proposed now, whichever that is. */
export const PROPOSED = "-";
export const test = (name, of, why = false) =>
  ask("GET", `/v1/jobs/${id(name)}/tests/${id(of)}${why ? "?why=true" : ""}`);
export const part = (name, of) => ask("GET", `/v1/jobs/${id(name)}/parts/${id(of)}`);
export const sheet = (name) => ask("GET", `/v1/jobs/${id(name)}/sheet`, { headers: { Accept: "application/json" } });
export const drawing = (name) => ask("GET", `/v1/jobs/${id(name)}/drawing`, { as: "text" });
export const open = (opening, once) =>
  ask("POST", "/v1/jobs", { body: opening, headers: { "Idempotency-Key": once } });
export const record = (name, version, steps, once) =>
  ask("POST", `/v1/jobs/${id(name)}/steps`, {
    body: { steps },
    headers: { "If-Match": `"${version}"`, "Idempotency-Key": once },
    patience: STEPS_MS,
  });

export const priors = (name) => ask("GET", `/v1/machines/${id(name)}/priors`);
export const checkPriors = (name, text) => ask("POST", `/v1/machines/${id(name)}/priors/check`, { body: { text } });
/** `now` is the number of the adoption that was read as the one in use; 0 for the file's own. */
export const adoptPriors = (name, text, by, now, once) =>
  ask("POST", `/v1/machines/${id(name)}/priors`, { body: { text, by }, headers: { "If-Match": `"${now}"`, "Idempotency-Key": once } });
export const rollBackPriors = (name, by, now, once) =>
  ask("POST", `/v1/machines/${id(name)}/priors/roll-back`, { body: { by }, headers: { "If-Match": `"${now}"`, "Idempotency-Key": once } });

/** A key that no other request has; `randomUUID` is not there over plain http. */
export function onceKey() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  return Array.from(bytes, (byte) => byte.toString(16).padStart(2, "0")).join("");
}

/** What a complaint alone says, without a job. */
export const first = (machineName, complaint) =>
  ask("POST", "/v1/advice?tests=0", { body: { machine: machineName, complaint } });
