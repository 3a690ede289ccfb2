/**
 * The host under Deno, and under Node where there are no workers. Importing this file installs it: every door does, and
 * so do the command line and the workers of the pool.
 */
import { createHash, type Hash } from "node:crypto";
import { readFileSync } from "node:fs";
import { availableParallelism, hostname, uptime } from "node:os";
import process from "node:process";
import { setFlagsFromString } from "node:v8";
import { runInNewContext } from "node:vm";
import { type MessagePort as NodePort, receiveMessageOnPort, Worker } from "node:worker_threads";
import { type Host, type HostLock, type HostWorker, setHost, type Sha256 } from "../core/host.ts";

const kernelsUrl = new URL("../kernels/kernels.wasm", import.meta.url);
const workerUrl = new URL("./worker.ts", import.meta.url);

/** What the main thread gives a worker of node:worker_threads at its start. */
export interface WorkerStart {
  /** Shared counters of the pool. */
  readonly counters: Int32Array;
}

function kernelBytes(): Uint8Array<ArrayBuffer> | null {
  try {
    return new Uint8Array(readFileSync(kernelsUrl));
  } catch {
    // the library's files may not be read
    return null;
  }
}

function sha256(): Sha256 {
  const hash: Hash = createHash("sha256");
  const digest: Sha256 = {
    update(content) {
      hash.update(content);
      return digest;
    },
    hex: () => hash.digest("hex"),
  };
  return digest;
}

function processors(): number {
  const told = globalThis.navigator?.hardwareConcurrency;
  if (typeof told === "number" && told > 0) return told;
  try {
    return availableParallelism();
  } catch {
    return 1;
  }
}

/** Under Deno, from files that may be read. */
function canStartWorkers(): boolean {
  if (!("Deno" in globalThis) || workerUrl.protocol !== "file:") return false;
  try {
    // Starting a worker needs the permission to read its file; without it the worker would only fail later.
    readFileSync(workerUrl);
    return true;
  } catch {
    return false;
  }
}

/**
 * Workers are those of node:worker_threads, because they can be unreferenced: a program ends by itself when its work
 * is done. Messages go through a port of the engine's own: those of node:worker_threads look at every sample of every
 * array before sending (300 ms for a million).
 */
function startWorker(counters: Int32Array): HostWorker {
  const { port1, port2 } = new MessageChannel();
  const worker = new Worker(workerUrl, { workerData: { counters } satisfies WorkerStart });
  // Nothing to do here: a worker that cannot start never says that it is ready.
  worker.on("error", () => {});
  worker.postMessage({ port: port2 }, [port2 as unknown as NodePort]);
  worker.unref();
  return {
    post: (message) => port1.postMessage(message),
    receive: () => receiveMessageOnPort(port1 as unknown as NodePort) as { readonly message: unknown } | undefined,
    end: () => {
      port1.close();
      void worker.terminate();
    },
  };
}

/** The engine's collector; null where it may not be had, undefined before it was looked for. */
let collector: (() => void) | null | undefined;

function findCollector(): (() => void) | null {
  try {
    setFlagsFromString("--expose-gc");
    const found: unknown = runInNewContext("typeof gc === 'function' ? gc : null");
    setFlagsFromString("--no-expose-gc");
    return typeof found === "function" ? found as () => void : null;
  } catch {
    return null;
  }
}

function collectGarbage(): void {
  if (collector === undefined) collector = findCollector();
  collector?.();
}

function lockFile(path: string): HostLock | "held" | "unknown" {
  if (!("Deno" in globalThis)) return "unknown";
  const file = Deno.openSync(path, { read: true, write: true, create: true });
  try {
    if (file.tryLockSync(true)) return { release: () => file.close() };
  } catch {
    // a file system without locks
    file.close();
    return "unknown";
  }
  file.close();
  return "held";
}

/** An answer of the system; null where it may not be asked. */
function ifAllowed<T>(ask: () => T): T | null {
  try {
    return ask();
  } catch {
    return null;
  }
}

function isRunning(number: number): boolean | null {
  try {
    process.kill(number, 0);
    return true;
  } catch (error) {
    const { code } = error as { readonly code?: unknown };
    return code === "ESRCH" ? false : code === "EPERM" ? true : null;
  }
}

/** The host of the command line, of notebooks and of tests. */
export const denoHost: Host = Object.freeze({
  kernelBytes,
  sha256,
  processors,
  canStartWorkers,
  startWorker,
  collectGarbage,
  lockFile,
  hostName: () => ifAllowed(hostname) ?? "",
  isRunning,
  startedAt: () => ifAllowed(() => Date.now() - 1000 * uptime()),
});

setHost(denoHost);
