// Details of machines: read once, and kept in the tablet under the hash of their file.
import * as client from "./client.mjs";
import * as kept from "./kept.mjs";

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
  const told = await client.machine(name);
  kept.put(`machine ${name}`, told).catch(() => {});
  return told;
}
