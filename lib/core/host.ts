/**
 * What the library needs from where it runs and cannot make itself: the bytes of the kernels, a digest, processors, a
 * pool of workers, a collection of garbage. Deno and a browser page each provide a host (`lib/host/`); the doors
 * install the one of Deno, a page calls {@linkcode setHost} before its first step. Results never depend on the host.
 */

/** A SHA-256 that is being computed. */
export interface Sha256 {
  /** Take in more bytes; a text counts as its UTF-8. */
  update(content: Uint8Array | string): Sha256;
  /** The digest, hexadecimal; the last call. */
  hex(): string;
}

/** A worker of the pool, as the main thread sees it. */
export interface HostWorker {
  /** Send a message; shared arrays are shared, all else is cloned. */
  readonly post: (message: unknown) => void;
  /** The next message that has come in, without waiting. */
  readonly receive: () => { readonly message: unknown } | undefined;
  /** End the worker at once. */
  readonly end: () => void;
}

/** A lock on a file, which the system lets go of when the process ends, however it ends. */
export interface HostLock {
  /** Let go of it. */
  readonly release: () => void;
}

/** Where the library runs. */
export interface Host {
  /** The bytes of `kernels.wasm`; null where they cannot be had, and the plain twins of the kernels run. */
  readonly kernelBytes: () => Uint8Array<ArrayBuffer> | null;
  /** Begin a SHA-256. */
  readonly sha256: () => Sha256;
  /** Processors, as far as this thread may know. */
  readonly processors: () => number;
  /** Whether workers can be started here; where they cannot, all work runs on the calling thread. */
  readonly canStartWorkers: () => boolean;
  /**
   * Start a worker on the shared counters of the pool. It runs `serveCalls` of `lib/parallel`, and must not keep the
   * program alive.
   */
  readonly startWorker: (counters: Int32Array) => HostWorker;
  /** Collect garbage now; does nothing where the engine does not let us. */
  readonly collectGarbage: () => void;
  /**
   * Lock a file, made when it is not there: `"held"` when another process has it or this one has it already,
   * `"unknown"` where the system knows no locks.
   */
  readonly lockFile: (path: string) => HostLock | "held" | "unknown";
  /** Name of the machine; `""` when it may not be known. */
  readonly hostName: () => string;
  /** Whether a process of this machine runs; null when it may not be known. */
  readonly isRunning: (process: number) => boolean | null;
  /** When the machine was started, milliseconds since 1970; null when it may not be known. */
  readonly startedAt: () => number | null;
}

let installed: Host | null = null;

/** Say where the library runs: once, before the first step. */
export function setHost(host: Host): void {
  installed = host;
}

/**
 * Where the library runs.
 *
 * @throws {Error} if nobody said so
 */
export function host(): Host {
  if (installed === null) {
    throw new Error(
      "host: a host must be installed before the library works, but none is; import a door of the library " +
        "or lib/host/deno.ts, or call setHost",
    );
  }
  return installed;
}

/** SHA-256 of some contents one behind the other, hexadecimal. */
export function sha256Hex(...contents: readonly (Uint8Array | string)[]): string {
  const digest = host().sha256();
  for (const content of contents) digest.update(content);
  return digest.hex();
}
