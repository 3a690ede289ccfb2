/**
 * The host of a browser page, or of a worker in one: one thread, no disk. The page hands in the bytes of the kernels.
 * The digest is a library's, because the one of the browser cannot be had without waiting for it.
 */
import { sha256 as newSha256 } from "@noble/hashes/sha2.js";
import type { Host, HostWorker, Sha256 } from "../core/host.ts";

function sha256(): Sha256 {
  const hash = newSha256.create();
  const digest: Sha256 = {
    update(content) {
      hash.update(typeof content === "string" ? new TextEncoder().encode(content) : content);
      return digest;
    },
    hex: () => Array.from(hash.digest(), (byte) => byte.toString(16).padStart(2, "0")).join(""),
  };
  return digest;
}

/**
 * A host for {@linkcode setHost}.
 *
 * @param kernels bytes of `kernels.wasm`; null: the plain twins of the kernels run, with the same results
 */
export const pageHost = (kernels: Uint8Array<ArrayBuffer> | null): Host =>
  Object.freeze({
    kernelBytes: () => kernels,
    sha256,
    processors: () => 1,
    canStartWorkers: () => false,
    startWorker: (): HostWorker => {
      throw new Error("startWorker: a page has one thread");
    },
    collectGarbage: () => {},
    lockFile: () => "unknown",
    hostName: () => "",
    isRunning: () => null,
    startedAt: () => null,
  });
