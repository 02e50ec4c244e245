// The public API, and nothing else of the service.
import * as kept from "./kept.mjs";

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
const PATIENCE_MS = 20_000;
const STEPS_MS = 8_000; // sent again under the same key, so that giving up early costs nothing

let key = null;
let keyRead = null;

const readKey = () => (keyRead ??= kept.get("key").then((known) => (key = known ?? null), () => null));

export async function useKey(text) {
  key = text;
  keyRead = Promise.resolve();
  await kept.put("key", text);
}

export async function forgetKey() {
  key = null;
  await kept.drop("key");
}

export async function hasKey() {
  await readKey();
  return key !== null;
}

async function ask(method, path, { body, headers = {}, as = "json", patience = PATIENCE_MS } = {}) {
  await readKey();
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
  const told = JSON.parse(text);
  return as === "versioned" ? { ...told, version: Number(answer.headers.get("etag")?.replaceAll('"', "")) } : told;
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
  ask("GET", `/v1/jobs/${id(name)}/advice?${new URLSearchParams({ tests, suspects })}`, { as: "versioned" });

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

/** A key that no other request has; `randomUUID` is not there over plain http. */
export function onceKey() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  return Array.from(bytes, (byte) => byte.toString(16).padStart(2, "0")).join("");
}

/** What a complaint alone says, without a job. */
export const first = (machineName, complaint) =>
  ask("POST", "/v1/advice?tests=0", { body: { machine: machineName, complaint } });
