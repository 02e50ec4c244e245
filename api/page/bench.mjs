// One job as this tablet sees it: read, watched for steps of others, gone on with.
import * as client from "./client.mjs";
import * as kept from "./kept.mjs";
import { early, SUSPECTS, TESTS } from "./early.mjs";
import { machineOf } from "./machines.mjs";
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
      const begun = early(this.id);
      const told = this.job === null ? this.told(begun) : null;
      told?.catch(() => {}); // told once the job itself has failed
      await this.take(await (begun?.job ?? client.job(this.id)), true, told);
      setAway(false);
      this.error = null;
      if (outbox.entries.some((entry) => entry.state === "waiting")) send();
    } catch (error) {
      this.failed(error);
    }
    if (this.alive) this.timer = setTimeout(() => this.look(), WATCH_MS);
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

  /** Advice with the test that it is about, both asked for at once. */
  async told(begun = null) {
    const wanted = begun === null ? this.wanted : begun.wanted;
    const [advice, asked] = await Promise.all([
      begun?.advice ?? client.advice(this.id, this.tests, SUSPECTS),
      this.testDetails(wanted ?? client.PROPOSED, begun?.test),
    ]);
    const name = wanted ?? tested(advice);
    const fits = name === null || asked?.test === name;
    return [advice, fits && name !== null ? asked : name && (await this.testDetails(name)), wanted];
  }

  async advise(job, told = null) {
    const round = ++this.round;
    const machine = machineOf(job.machine, job.machine_hash);
    let [advice, asked, wanted] = await (told ?? this.told());
    if (advice.version !== job.version || wanted !== this.wanted) [advice, asked] = await this.told();
    this.machine = await machine;
    if (round !== this.round || advice.version < job.version) return;
    this.asked = asked;
    this.settle(job, advice);
    this.changed();
  }

  async testDetails(name, begun) {
    try {
      return await (begun ?? client.test(this.id, name));
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
    kept.put(`shares ${this.id}`, this.keptShares);
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
  async minded(cautions) {
    for (const one of cautions) this.seen.add(one.id);
    await kept.put(`seen ${this.id}`, [...this.seen]);
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
