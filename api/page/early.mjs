// Asks for the job that stands in the address, before the rest of the page is here: small, and by itself.
import { noted } from "./noted.mjs";

export const TESTS = 12;
export const SUSPECTS = 60;
export const KEYED = "keyed"; // noted where there is a key, so that nobody else waits for the database
export const HASHES = "hashes of machines";

/** Beginnings of the hashes of the machine files whose details are kept here. */
export const hashesKept = () => (noted(HASHES) ?? "").split(" ").filter((one) => one !== "");

/** Address of a job with its advice, a test (`-`: the one proposed), and the machine unless it is kept here. */
export function benchPath(id, test, tests, suspects) {
  const asked = new URLSearchParams([["test", test], ["tests", tests], ["suspects", suspects], ...hashesKept().map((one) => ["known", one])]);
  return `/v1/jobs/${encodeURIComponent(id)}/bench?${asked}`;
}

const place = (name) => location.hash.match(name)?.[1];

const id = place(/^#\/job\/([^/]+)/);

let asked = null;
if (id && noted(KEYED) === null) {
  const wanted = place(/^#\/job\/[^/]+\/test\/([^/]+)/) ?? null;
  const told = fetch(benchPath(id, wanted ?? "-", TESTS, SUSPECTS), { signal: AbortSignal.timeout(20_000) }).then((answer) => (answer.ok ? answer.json() : null));
  asked = { id, wanted, told: told.catch(() => null) };
}

/** What was asked for this job, for whoever comes first; null for any other. It comes to null where it failed. */
export function early(job) {
  const known = asked?.id === job ? asked : null;
  asked = null;
  return known;
}
