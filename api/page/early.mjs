// Asks for the job that stands in the address, before the rest of the page is here.
import * as client from "./client.mjs";
import { machineOf } from "./machines.mjs";

export const TESTS = 12;
export const SUSPECTS = 60;

const place = (name) => location.hash.match(name)?.[1];

const id = place(/^#\/job\/([^/]+)/);

let asked = null;
if (id) {
  const wanted = place(/^#\/job\/[^/]+\/test\/([^/]+)/) ?? null;
  const one = (what) => (what.catch(() => {}), what); // whoever waits for it is told
  asked = {
    id,
    wanted,
    job: one(client.job(id)),
    advice: one(client.advice(id, TESTS, SUSPECTS)),
    test: one(client.test(id, wanted ?? client.PROPOSED)),
  };
  one(asked.job.then((job) => machineOf(job.machine, job.machine_hash)));
}

/** What was asked for this job, for whoever comes first; null for any other. */
export function early(job) {
  const known = asked?.id === job ? asked : null;
  asked = null;
  return known;
}
