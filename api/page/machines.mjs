// Details of machines: read once, and kept in the tablet under the hash of their file.
import * as client from "./client.mjs";
import { HASHES, hashesKept } from "./early.mjs";
import * as kept from "./kept.mjs";
import { note } from "./noted.mjs";

const DIGITS = 12;
const MOST = 50;

const machines = new Map();

/** A machine's details, read once while the page is open; not at all where the tablet has kept
 * those of the very file that is wanted. */
export function machineOf(name, hash = null) {
  if (!machines.has(name)) {
    const asked = readMachine(name, hash);
    asked.catch(() => machines.delete(name));
    machines.set(name, asked);
  }
  return machines.get(name);
}

async function readMachine(name, hash) {
  const known = hash === null ? null : await kept.get(`machine ${name}`).catch(() => null);
  if (known?.content_hash === hash && known) return known;
  return keepMachine(await client.machine(name));
}

/** Details that came along with something else. */
export function keepMachine(told) {
  machines.set(told.id, Promise.resolve(told));
  const hash = told.content_hash.slice(0, DIGITS);
  const others = hashesKept().filter((one) => one !== hash);
  kept.put(`machine ${told.id}`, told).then(() => note(HASHES, [hash, ...others].slice(0, MOST).join(" "))).catch(() => {});
  return told;
}
