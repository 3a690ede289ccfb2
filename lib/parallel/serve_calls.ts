/** The work of a worker of the pool: it waits for calls, takes job after job, sends the results back. */
import { collect } from "../core/memory.ts";
import { carryError } from "./carried_error.ts";
import { setWorkerCount } from "./pool.ts";
import { callSlot, type PoolAnswer, type PoolCall, poolSlot } from "./pool_messages.ts";

/** Results are sent together, at the latest after so many milliseconds. */
const sendEveryMs = 50;

type Run = (job: unknown) => unknown;
const known = new Map<string, Run>();

async function find(module: string, name: string): Promise<Run> {
  const key = `${module} ${name}`;
  const found = known.get(key);
  if (found !== undefined) return found;
  const run = ((await import(module)) as Readonly<Record<string, unknown>>)[name];
  if (typeof run !== "function") {
    throw new TypeError(`parallelMap: ${module} must export a function "${name}", but does not`);
  }
  known.set(key, run as Run);
  return run as Run;
}

function serve(port: MessagePort, shared: Int32Array): (call: PoolCall) => Promise<void> {
  const signal = () => {
    Atomics.add(shared, poolSlot.signal, 1);
    Atomics.notify(shared, poolSlot.signal);
  };
  return async ({ epoch, module, name, jobs, counters }) => {
    let results: [number, unknown][] = [];
    let failure: PoolAnswer["failure"] = null;
    let index = 0;
    let sent = performance.now();
    const send = () => {
      port.postMessage({ epoch, results, failure } satisfies PoolAnswer);
      results = [];
      sent = performance.now();
    };
    Atomics.add(counters, callSlot.begun, 1);
    try {
      const ready = known.get(`${module} ${name}`);
      const run = ready ?? await find(module, name);
      while (Atomics.load(counters, callSlot.stop) === 0) {
        index = Atomics.add(counters, callSlot.next, 1);
        if (index >= jobs.length) break;
        const result = run(jobs[index]);
        if (result !== undefined) results.push([index, result]);
        Atomics.add(counters, callSlot.done, 1);
        if (performance.now() - sent > sendEveryMs) {
          send();
          signal();
        }
      }
      send();
    } catch (error) {
      // No further job begins; those before this one have all begun, so the first failing job of the list is known.
      Atomics.store(counters, callSlot.stop, 1);
      failure = { index, error: carryError(error) };
      results = [];
      send();
    } finally {
      Atomics.add(counters, callSlot.ended, 1);
      signal();
    }
  };
}

/**
 * Serve the calls that come through a port, for as long as this thread lives.
 *
 * @param port where calls come in and answers go out
 * @param shared counters of the pool, see {@linkcode poolSlot}
 */
export function serveCalls(port: MessagePort, shared: Int32Array): void {
  // Work handed out inside a job stays on this thread: the processors are busy already.
  setWorkerCount(0);
  const answer = serve(port, shared);
  let collected = 0;
  port.onmessage = ({ data: call }: MessageEvent<PoolCall>) => {
    const due = call.collections;
    // Once the call is over and its arrays are forgotten: this thread must not be the one that keeps dropped planes
    // alive.
    void answer(call).then(() => {
      if (due === collected) return;
      collected = due;
      collect();
    });
  };
  Atomics.add(shared, poolSlot.ready, 1);
  Atomics.add(shared, poolSlot.signal, 1);
  Atomics.notify(shared, poolSlot.signal);
}
