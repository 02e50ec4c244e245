// Steps of a job: which of them stand, and what each says in words.
import { number, say } from "./words.mjs";

/** Steps that are not taken back, in order. */
export function standing(steps) {
  const left = [];
  for (const step of steps) {
    if (step.kind === "undone") left.pop();
    else left.push(step);
  }
  return left;
}

/** How many of the latest steps are one thing to whoever takes it back: two where an area was
 * opened for a test and noted with its result. */
export function takenTogether(steps) {
  const [before, last] = steps.slice(-2);
  const both = last?.kind === "area_opened" && before?.kind === "finding" && before.at === last.at;
  return both ? 2 : 1;
}

/** A repair that nobody has tried yet, if that is how the job stands. */
export function untried(steps) {
  const last = steps.findLast((step) => step.kind === "repaired" || step.kind === "tried");
  return last?.kind === "repaired" && last.shown == null ? last : null;
}

const titled = (list, id) => list.find((one) => one.id === id)?.title ?? id;

export const testTitle = (machine, id) => titled(machine.tests, id);
export const partTitle = (machine, id) => (id === "unlisted" ? say("unlisted") : titled(machine.parts, id));
export const complaintTitle = (machine, id) => titled(machine.complaints, id);

export function modeTitle(machine, part, mode) {
  return titled(machine.parts.find((one) => one.id === part)?.modes ?? [], mode);
}

export function faultWords(machine, part, mode) {
  return part === "unlisted" ? say("unlisted") : `${partTitle(machine, part)}: ${modeTitle(machine, part, mode)}`;
}

export function repairWords(machine, part, repair) {
  const known = machine.parts.find((one) => one.id === part)?.repairs ?? [];
  return `${partTitle(machine, part)}: ${titled(known, repair)}`;
}

export function shownWords(machine, shown) {
  if (["runs", "same", "other"].includes(shown)) return say(`shown_${shown}`);
  return complaintTitle(machine, shown);
}

/** What a test gave. */
export function findingWords(machine, step) {
  const test = machine.tests.find((one) => one.id === step.test);
  const outcome = titled(test?.outcomes ?? [], step.outcome ?? "");
  const reading = step.reading == null ? "" : `${number(step.reading)} ${step.unit ?? test?.unit ?? ""}`;
  return reading && outcome ? `${reading} (${outcome})` : reading || outcome;
}

const WORDS = {
  told: (machine, step) => ({ complaint: complaintTitle(machine, step.complaint) }),
  finding: (machine, step) => ({ test: testTitle(machine, step.test), result: findingWords(machine, step) }),
  looked_again: (machine, step) => ({ test: testTitle(machine, step.test), result: findingWords(machine, step) }),
  withdrawn: (machine, step) => ({ test: testTitle(machine, step.test) }),
  set_aside: (machine, step) => ({ test: testTitle(machine, step.test), note: step.note || say("no_reason") }),
  area_opened: (machine, step) => ({ area: titled(machine.areas, step.area) }),
  area_closed: (machine, step) => ({ area: titled(machine.areas, step.area) }),
  tools: (machine, step) => ({ tools: step.tools.length ? step.tools.map((tool) => titled(machine.tools, tool)).join(", ") : say("all_tools") }),
  repaired: (machine, step) => ({ repair: repairWords(machine, step.part, step.repair), shown: step.shown == null ? say("not_tried") : shownWords(machine, step.shown) }),
  tried: (machine, step) => ({ shown: shownWords(machine, step.shown) }),
  handed_over: (_, step) => ({ note: step.note }),
  closed: (_, step) => ({ ended: say(`ended_${step.ended}`) }),
  reopened: (_, step) => ({ note: step.note }),
};

/** A step as a person would say it. */
export function stepWords(machine, step) {
  return say(`step_${step.kind}`, WORDS[step.kind]?.(machine, step) ?? {});
}
