/**
 * One run at a time in an output folder. The system holds the lock, and lets go of it when the process ends, however it
 * ends; a note beside it says who holds it, and is touched while the run goes on.
 *
 * How a lock is judged: one that the system says is held, is held. Where the system has none, a run of this machine
 * holds it while its process lives and is no older than the machine's last start. A run of another machine (a shared
 * disk may not pass locks on) holds it while its last sign of life is young.
 */
import { existsSync, mkdirSync, readdirSync, readFileSync, realpathSync, rmSync, statSync, utimesSync } from "node:fs";
import { join } from "node:path";
import process from "node:process";
import { host } from "../core/host.ts";
import { checkpointFolder } from "./checkpoints.ts";
import { liesWithin } from "./paths.ts";
import { writeWhole } from "./write_whole.ts";

/** Who holds an output folder. */
interface Holder {
  /** Number of the process. */
  readonly process: number;
  /** Name of its machine; `""` when it may not be known. */
  readonly machine: string;
  /** When it began, milliseconds since 1970. */
  readonly since: number;
}

/** Age from which on a sign of life of another machine's run is none, seconds: no step is silent for so long. */
export const silentSeconds = 900;

/** Signs of life are given this far apart at least, seconds. */
const signEverySeconds = 10;

/** Who left the note; null where nobody did, or it cannot be read. */
function readHolder(path: string): Holder | null {
  try {
    const found: Partial<Holder> = JSON.parse(readFileSync(path, "utf8"));
    const { process: number, machine, since } = found;
    const whole = typeof number === "number" && typeof machine === "string" && typeof since === "number";
    return whole ? { process: number, machine, since } : null;
  } catch {
    return null;
  }
}

/** Whether the run of a note goes on, as far as this process can tell; `locked` when the system's lock was free. */
function isAlive(holder: Holder, note: string, locked: boolean): boolean {
  const { hostName, isRunning, startedAt } = host();
  const young = Date.now() - statSync(note).mtimeMs < 1000 * silentSeconds;
  if (holder.machine !== hostName()) return young;
  if (locked) return false;
  const started = startedAt();
  if (started !== null && holder.since < started) return false;
  return isRunning(holder.process) ?? young;
}

function refuse(out: string, holder: Holder | null): never {
  const who = holder === null
    ? "another run"
    : `another run (process ${holder.process}${holder.machine === "" ? "" : ` on ${holder.machine}`}, since ${
      new Date(holder.since).toISOString().slice(0, 16).replace("T", " ")
    } UTC)`;
  const gone = holder === null || holder.machine === host().hostName()
    ? ""
    : ` (if that run is gone: ${silentSeconds / 60} minutes after its last sign of life the folder is free)`;
  throw new RangeError(
    `${out}: is in use by ${who}; wait until it has ended, or name another folder with --out${gone}`,
  );
}

/** What stands in a sentence for why a folder cannot be written to. */
const faults: Readonly<Record<string, string>> = {
  EACCES: "you may not write there",
  EPERM: "you may not write there",
  EROFS: "it lies on a disk that can only be read",
  ENOSPC: "its disk is full",
  EDQUOT: "your share of its disk is used up",
  ENOTDIR: "it is a file, or lies below one",
  EEXIST: "it is a file, or a link to nothing",
  ENOENT: "it is a link to nothing",
};

/** The sentence of a system's refusal to write to the output folder. */
export function cannotWrite(out: string, error: unknown): RangeError {
  const { code, message } = error as { readonly code?: unknown; readonly message?: string };
  const known = typeof code === "string" && Object.hasOwn(faults, code) ? faults[code] : undefined;
  return new RangeError(
    `${out}: must be a folder that can be written to, but ${known ?? message}; name another folder with --out`,
    { cause: error },
  );
}

/**
 * Refuse an output folder with a link in it that leads out: what is written must lie where the person said.
 *
 * @throws {RangeError} naming the link
 */
function requireInnerLinks(out: string): void {
  const whole = realpathSync(out);
  for (const entry of readdirSync(out, { recursive: true, withFileTypes: true })) {
    if (!entry.isSymbolicLink()) continue;
    const path = join(entry.parentPath, entry.name);
    if (existsSync(path) && liesWithin(realpathSync(path), whole)) continue;
    throw new RangeError(
      `${path}: must lie in the output folder, but is a link that leads out of it; take the link away, or name ` +
        "another folder with --out",
    );
  }
}

/**
 * Work in an output folder that no other run works in meanwhile.
 *
 * @param work given a function to call now and then, as a sign of life
 * @throws {RangeError} if another run holds the folder, it cannot be written to, or a link in it leads out of it
 */
export function inLockedFolder<T>(out: string, work: (signOfLife: () => void) => T): T {
  const note = join(out, checkpointFolder, "holder.json");
  try {
    mkdirSync(join(out, checkpointFolder), { recursive: true });
  } catch (error) {
    throw cannotWrite(out, error);
  }
  requireInnerLinks(out);
  const lock = host().lockFile(join(out, checkpointFolder, "lock"));
  if (lock === "held") refuse(out, readHolder(note));
  const release = lock === "unknown" ? () => {} : lock.release;
  try {
    const before = readHolder(note);
    if (before !== null && isAlive(before, note, lock !== "unknown")) refuse(out, before);
    const mine: Holder = { process: process.pid, machine: host().hostName(), since: Date.now() };
    try {
      writeWhole(note, JSON.stringify(mine));
    } catch (error) {
      throw cannotWrite(out, error);
    }
    try {
      return work(signs(note));
    } finally {
      rmSync(note, { force: true });
    }
  } finally {
    release();
  }
}

/** Touches the note, at most so often. */
function signs(note: string): () => void {
  let last = Date.now();
  return () => {
    const now = Date.now();
    if (now - last < 1000 * signEverySeconds) return;
    last = now;
    if (existsSync(note)) utimesSync(note, now / 1000, now / 1000);
  };
}
