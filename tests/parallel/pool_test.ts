/** Covers pool_messages.ts, serve_calls.ts, carried_error.ts and host/worker.ts. */
import { execFileSync } from "node:child_process";
import { fileURLToPath } from "node:url";
import { afterAll, afterEach, describe, expect, it } from "vitest";
import { FrameError } from "../../lib/core/errors.ts";
import type { ProgressEvent } from "../../lib/core/progress.ts";
import { closePool, parallelMap, type PoolTask, setWorkerCount, workerCount } from "../../lib/parallel/pool.ts";
import { failTask, type Fill, fillTask, headTask, nestTask, square, squareTask } from "./pool_jobs.ts";

const deno = "Deno" in globalThis;
const shared = (length: number) => new Int32Array(new SharedArrayBuffer(4 * length));
const bands = (out: Int32Array, size: number, value: number, toil = 0): Fill[] =>
  Array.from({ length: out.length / size }, (_, k) => ({ out, from: k * size, to: (k + 1) * size, value, toil }));
const thrown = (work: () => unknown): Error => {
  try {
    work();
  } catch (error) {
    return error as Error;
  }
  throw new Error("nothing was thrown");
};

afterEach(() => setWorkerCount(2));
afterAll(closePool);

describe("parallelMap", () => {
  it.each([0, 1, 2, 3])("gives results in the order of the jobs with %d workers", (count) => {
    setWorkerCount(count);
    const jobs = Array.from({ length: 57 }, (_, k) => k);
    expect(parallelMap(squareTask, jobs)).toEqual(jobs.map(square));
    expect(parallelMap(squareTask, [])).toEqual([]);
    const out = shared(40);
    expect(parallelMap(fillTask, bands(out, 4, 7))).toEqual([0, 4, 8, 12, 16, 20, 24, 28, 32, 36]);
    expect(out.every((x) => x === 7)).toBe(true);
  });

  it.runIf(deno)("uses the workers that were asked for, started once", () => {
    setWorkerCount(3);
    expect(workerCount()).toBe(3);
    const slow = bands(shared(12), 2, 1, 2_000_000);
    const time = (work: () => unknown) => {
      const start = performance.now();
      work();
      return performance.now() - start;
    };
    time(() => parallelMap(fillTask, slow));
    // Once started and warm, a call of trivial jobs must not take anything like a start (70 ms and more).
    const again = Math.min(...[1, 2, 3, 4, 5].map(() => time(() => parallelMap(squareTask, [1, 2, 3, 4]))));
    expect(again).toBeLessThan(30);
  });

  it("reports progress from the main thread, up to the last job", () => {
    setWorkerCount(2);
    const seen: ProgressEvent[] = [];
    parallelMap(fillTask, bands(shared(40), 4, 7, 50_000), { label: "filling", progress: (event) => seen.push(event) });
    expect(seen.at(-1)).toEqual({ label: "filling", done: 10, total: 10 });
    for (let i = 1; i < seen.length; i++) expect(seen[i].done).toBeGreaterThan(seen[i - 1].done);
  });

  it.each([0, 2])("rethrows errors with class, message and fields (%d workers)", (count) => {
    setWorkerCount(count);
    const run = (kind: string) => thrown(() => parallelMap(failTask, [0, 1, 2, 3].map((index) => ({ kind, index }))));
    const frame = run("frame");
    expect(frame).toBeInstanceOf(FrameError);
    expect(frame).toMatchObject({ name: "FrameError", path: "night/0.fits", reason: "truncated" });
    expect(frame.message).toBe("night/0.fits: ends early; copy it again");
    expect(run("range")).toBeInstanceOf(RangeError);
    expect(run("range").message).toBe("fail: index must be even, but got 0");
    const outer = run("cause");
    expect(outer).toBeInstanceOf(TypeError);
    expect(outer.cause).toBeInstanceOf(RangeError);
    expect((outer.cause as Error).message).toBe("fail: inner");
    // The pool is as good as before.
    expect(parallelMap(squareTask, [1, 2, 3])).toEqual([1, 4, 9]);
  });

  it.each([0, 1, 2, 3])("throws the error of the first failing job (%d workers)", (count) => {
    setWorkerCount(count);
    for (let round = 0; round < 20; round++) {
      const jobs = Array.from({ length: 30 }, (_, index) => ({ kind: index >= 11 ? "range" : "fine", index }));
      expect(thrown(() => parallelMap(failTask, jobs)).message).toBe("fail: index must be even, but got 11");
    }
  });

  it.runIf(deno)("says what cannot cross over", () => {
    setWorkerCount(2);
    expect(thrown(() => parallelMap(failTask, [0, 1].map((index) => ({ kind: "function", index })))).message)
      .toMatch(/could not be cloned/);
    const lost: PoolTask<number, number> = { module: squareTask.module, name: "cube", run: (x) => x };
    expect(thrown(() => parallelMap(lost, [1, 2])).message).toMatch(/must export a function "cube", but does not/);
    const nowhere: PoolTask<number, number> = { module: "file:///nowhere/a.ts", name: "a", run: (x) => x };
    expect(thrown(() => parallelMap(nowhere, [1, 2])).message).toMatch(/nowhere/);
    expect(parallelMap(squareTask, [1, 2, 3])).toEqual([1, 4, 9]);
  });

  it("runs work handed out inside a job on the job's thread", () => {
    setWorkerCount(2);
    expect(parallelMap(nestTask, [1, 2, 3])).toEqual([14, 29, 50].map((sum) => ({ workers: deno ? 0 : 0, sum })));
  });

  it("allows work inside a report", () => {
    setWorkerCount(2);
    let inner: number[] = [];
    parallelMap(fillTask, bands(shared(40), 4, 7, 10_000), { progress: () => inner = parallelMap(squareTask, [2, 3]) });
    expect(inner).toEqual([4, 9]);
  });

  it.each([0, 2, 3])("stops when progress throws, and no job of that call writes afterwards (%d workers)", (count) => {
    setWorkerCount(count);
    for (let round = 0; round < 5; round++) {
      const out = shared(400);
      const error = thrown(() =>
        parallelMap(fillTask, bands(out, 4, 1, 50_000), {
          progress: () => {
            throw new Error("stop");
          },
        })
      );
      expect(error.message).toBe("stop");
      // The memory is handed out again: nothing but the new owner may write to it.
      out.fill(2);
      parallelMap(fillTask, bands(shared(40), 4, 3, 50_000));
      expect(out.every((x) => x === 2)).toBe(true);
    }
  });

  it("refuses a nonsensical number of workers", () => {
    expect(() => setWorkerCount(-1)).toThrow("setWorkerCount: count must be a whole number from 0 to 64, but got -1");
    expect(() => setWorkerCount(1.5)).toThrow(RangeError);
  });
});

describe.skipIf(!deno)("a program that uses the pool", () => {
  const here = fileURLToPath(new URL("./", import.meta.url));
  const library = fileURLToPath(new URL("../../lib", import.meta.url));
  const run = (code: string, ...flags: string[]): string =>
    execFileSync("deno", [
      "run",
      "--no-prompt",
      ...flags,
      `data:application/typescript,${encodeURIComponent(code)}`,
    ], {
      encoding: "utf8",
      timeout: 30_000,
      stdio: ["ignore", "pipe", "pipe"],
    });
  const pool = new URL("../../lib/parallel/pool.ts", import.meta.url).href;
  const jobs = new URL("./pool_jobs.ts", import.meta.url).href;
  const host = new URL("../../lib/host/deno.ts", import.meta.url).href;
  const program = (body: string) =>
    `await import(${JSON.stringify(host)});
     const { parallelMap, workerCount, setWorkerCount } = await import(${JSON.stringify(pool)});
     const { headTask, squareTask } = await import(${JSON.stringify(jobs)}); setWorkerCount(2); ${body}`;

  it("ends by itself, with the narrow permission to read the library", () => {
    const out = run(
      program(`console.log(workerCount(), parallelMap(squareTask, [1, 2, 3]).join());`),
      `--allow-read=${library},${here}`,
    );
    expect(out.trim()).toBe("2 1,4,9");
  });

  it("gives its workers no more permissions than it has", () => {
    const body =
      `try { parallelMap(headTask, ["/etc/hostname", "/etc/hostname"]); } catch (error) { console.log(error.name); }`;
    expect(run(program(body), `--allow-read=${library},${here}`)).toMatch(/NotCapable|PermissionDenied/);
    expect(headTask.name).toBe("head");
  });
});
