// One job as this tablet sees it: read, watched for steps of others, gone on with.
import * as client from "./client.mjs";
import * as kept from "./kept.mjs";
import { early, SUSPECTS, TESTS } from "./early.mjs";
import { keepMachine, machineOf } from "./machines.mjs";
import { outbox, put, send, setAway } from "./outbox.mjs";
import { standing } from "./steps.mjs";

const ALL = 10_000;
const WATCH_MS = 1_100;

export class Bench {
  constructor(id, changed) {
    this.id = id;
    this.changed = changed;
    this.job = this.machine = this.advice = this.asked = this.error = null;
    this.was = new Map();
    this.shares = new Map();
    this.seen = new Set();
    this.news = "";
    this.tests = TESTS;
    this.timer = null;
    this.round = 0;
    this.recording = false;
  }

  async start(asked) {
    this.wanted = asked;
    this.alive = true;
    this.begun = early(this.id);
    const [shares, seen] = await Promise.all([kept.get(`shares ${this.id}`), kept.get(`seen ${this.id}`)]);
    this.keptShares = shares ?? null;
    this.seen = new Set(seen ?? []);
    await this.look();
  }

  stop() {
    this.alive = false;
    clearTimeout(this.timer);
  }

  /** Read the job; where it has gone on, the advice as well; and again in a second. */
  async look() {
    clearTimeout(this.timer);
    try {
      if (this.job === null) await this.begin();
      else await this.take(await client.job(this.id), true);
      setAway(false);
      this.error = null;
      if (outbox.entries.some((entry) => entry.state === "waiting")) send();
    } catch (error) {
      this.failed(error);
    }
    if (this.alive) this.timer = setTimeout(() => this.look(), WATCH_MS);
  }

  async begin() {
    const { begun } = this;
    this.begun = null;
    const came = await begun?.told;
    const told = came ? { ...came, wanted: begun.wanted } : await this.told();
    if (this.job === null) await this.take(told.job, false, told);
  }

  failed(error) {
    if (error instanceof client.Away) setAway(true);
    else if (error instanceof client.Refused && error.status === 401) outbox.onNoKey();
    else this.error = error;
    this.changed();
  }

  /** The job as it was answered; `watched` when nobody at this tablet had tapped. */
  async take(job, watched = false, told = null) {
    if (this.job !== null && job.version <= this.job.version) {
      if (this.advice?.version !== this.job.version) await this.advise(this.job);
      return;
    }
    const before = this.job;
    this.job = job;
    if (watched && before !== null) this.news = job.steps.slice(before.version);
    else if (before !== null) this.news = "";
    await this.advise(job, told);
  }

  /** The job with its advice, the test that is shown and the machine, all of one moment. */
  async told() {
    const { wanted } = this;
    const told = await client.bench(this.id, wanted ?? client.PROPOSED, this.tests, SUSPECTS);
    return { ...told, wanted };
  }

  async advise(job, told = null) {
    const round = ++this.round;
    let now = told ?? (await this.told());
    if (now.wanted !== this.wanted) now = await this.told();
    if (now.machine !== null) keepMachine(now.machine);
    const machine = now.machine ?? (await machineOf(job.machine, job.machine_hash));
    if (round !== this.round || now.job.version < this.job.version) return;
    this.job = now.job;
    this.machine = machine;
    this.asked = now.test;
    this.settle(now.job, { ...now.advice, version: now.job.version });
    this.changed();
  }

  async testDetails(name) {
    try {
      return await client.test(this.id, name);
    } catch (error) {
      if (error instanceof client.Refused && error.status !== 401) return null;
      throw error;
    }
  }

  /** What moved: the shares now beside those of the version before, kept over a reload. */
  settle(job, advice) {
    const shares = new Map(advice.suspects.map((one) => [`${one.part}.${one.mode}`, one.probability]));
    const known = this.keptShares;
    if (this.advice !== null && this.advice.version !== job.version) this.was = this.shares;
    else if (this.advice === null && known !== null) this.was = new Map(known.version === job.version ? known.was : known.shares);
    this.shares = shares;
    this.advice = advice;
    this.keptShares = { version: job.version, shares: [...shares], was: [...this.was] };
    kept.put(`shares ${this.id}`, this.keptShares).catch(() => {});
  }

  /** Another test is to be shown, or (null) what is proposed. */
  async want(name) {
    if (this.wanted === name) return;
    this.wanted = name;
    if (this.advice === null) return;
    const asked = name ?? tested(this.advice);
    if (this.asked?.test === asked) return this.changed();
    try {
      this.asked = asked ? await this.testDetails(asked) : null;
    } catch (error) {
      this.failed(error);
    }
    this.changed();
  }

  /** The whole ranked list instead of its beginning. */
  async listAll() {
    if (this.tests === ALL || this.job === null) return;
    this.tests = ALL;
    await this.advise(this.job).catch((error) => this.failed(error));
  }

  /** Cautions that stood on the screen when a step was taken were read. */
  minded(cautions) {
    for (const one of cautions) this.seen.add(one.id);
    kept.put(`seen ${this.id}`, [...this.seen]).catch(() => {});
  }

  async record(steps, words) {
    if (this.recording) return;
    this.recording = true;
    this.news = "";
    this.changed();
    try {
      const at = new Date().toISOString();
      const by = (await kept.get("name")) ?? "";
      await put(this.id, this.job.version, steps.map((step) => ({ at, by, ...step })), words);
    } finally {
      this.recording = false;
    }
  }

  /** Whether what was tapped is on its way, so that a second tap would be about an old card. */
  get busy() {
    return this.recording || this.waiting.some((entry) => entry.state === "waiting") || this.advice?.version !== this.job?.version;
  }

  get steps() {
    return this.job === null ? [] : standing(this.job.steps);
  }

  /** Steps of this job that wait in this browser. */
  get waiting() {
    return outbox.entries.filter((entry) => entry.job === this.id);
  }
}

/** The test that advice proposes, if it proposes one. */
export function tested(advice) {
  return ["test", "recheck"].includes(advice.verdict.action) ? advice.verdict.target : null;
}
