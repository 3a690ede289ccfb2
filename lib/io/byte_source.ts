/** Where the bytes of a FITS file come from: a plain file by positioned reads, or a gzip file inflated once. */
import {
  closeSync,
  fstatSync,
  mkdirSync,
  mkdtempSync,
  openSync,
  readdirSync,
  readSync,
  rmSync,
  statSync,
  writeSync,
} from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { constants, gunzipSync } from "node:zlib";
import { FrameError } from "../core/errors.ts";
import { allocateShared, isShared } from "../core/memory.ts";

/** Bytes that can be read at any position. */
export interface ByteSource {
  /** The file as the caller named it. */
  readonly path: string;
  /** Path of a plain file that holds the same bytes, for readers in other threads; null when there is none. */
  plainPath(): string | null;
  /** All bytes on shared memory, for readers in other threads when there is no plain file. */
  sharedBytes(): Uint8Array;
  /** Tell how many bytes the headers read so far promise: a gzip file may not grow far beyond. */
  expect(bytes: number): void;
  /** All bytes there are; inflates a gzip file to know. */
  size(): number;
  /** Whether the file holds so many bytes; inflates a gzip file only when its last bytes leave a doubt. */
  holds(bytes: number): boolean;
  /** Fill `target` from `position` on; the result is how many bytes there were. */
  readInto(target: Uint8Array, position: number): number;
  /** Let go of the file. */
  close(): void;
}

function readFully(descriptor: number, target: Uint8Array, position: number): number {
  let done = 0;
  while (done < target.length) {
    const got = readSync(descriptor, target, done, target.length - done, position + done);
    if (got === 0) break;
    done += got;
  }
  return done;
}

const isGzip = (start: Uint8Array) => start[0] === 0x1f && start[1] === 0x8b;

/** Other packings that a file may have, by their first bytes, to say so by name. */
function foreignPacking(start: Uint8Array): string | null {
  if (start[0] === 0x42 && start[1] === 0x5a && start[2] === 0x68) return "bzip2";
  if (start[0] === 0x1f && start[1] === 0x9d) return "Unix compress";
  if (start[0] === 0xfd && start[1] === 0x37 && start[2] === 0x7a) return "xz";
  if (start[0] === 0x50 && start[1] === 0x4b && start[2] === 3) return "zip";
  if (start[0] === 0x28 && start[1] === 0xb5 && start[2] === 0x2f && start[3] === 0xfd) return "zstandard";
  return null;
}

class PlainSource implements ByteSource {
  readonly path: string;
  private readonly descriptor: number;
  private readonly bytes: number;

  constructor(path: string, descriptor: number, bytes: number) {
    this.path = path;
    this.descriptor = descriptor;
    this.bytes = bytes;
  }
  plainPath(): string {
    return this.path;
  }
  sharedBytes(): Uint8Array {
    const shared = new Uint8Array(allocateShared(this.bytes, true), 0, this.bytes);
    readFully(this.descriptor, shared, 0);
    return shared;
  }
  expect(): void {}
  size(): number {
    return this.bytes;
  }
  holds(bytes: number): boolean {
    return this.bytes >= bytes;
  }
  readInto(target: Uint8Array, position: number): number {
    return readFully(this.descriptor, target, position);
  }
  close(): void {
    closeSync(this.descriptor);
  }
}

/** Start of the name of a folder with an unpacked file. */
const UNPACKED = "faintlight-";
let unpackFolder: string | null = null;

/**
 * Where `.gz` files are unpacked when regions of them are read: for programs that may not write to the system's folder
 * for temporary files. Made if it is not there; what a killed program left in it is removed. Where nothing may be
 * written, unpacked files stay in memory.
 *
 * @param folder a folder of the program's own; null for the system's
 *
 * @example
 * ```ts
 * import { mkdtempSync, rmSync } from "node:fs";
 * import { tmpdir } from "node:os";
 * import { join } from "node:path";
 * import { setUnpackFolder } from "faintlight/io";
 *
 * const folder = mkdtempSync(join(tmpdir(), "unpack-"));
 * setUnpackFolder(join(folder, "unpacked"));
 * setUnpackFolder(null);
 * rmSync(folder, { recursive: true });
 * ```
 */
export function setUnpackFolder(folder: string | null): void {
  unpackFolder = folder;
  if (folder === null) return;
  mkdirSync(folder, { recursive: true });
  for (const name of readdirSync(folder)) {
    if (name.startsWith(UNPACKED)) rmSync(join(folder, name), { recursive: true, force: true });
  }
}

/** Compressed bytes looked at first: enough for the header of a frame. */
const HEAD = 65536;

/** Bytes that a gzip file may hold beyond twice what its headers promise: further extensions, padding. */
const inflationReserve = 64 * 2 ** 20;

class GzipSource implements ByteSource {
  readonly path: string;
  private readonly packed: number;
  private readonly spillFolder: string | null;
  private start: Uint8Array | null = null;
  private all: Uint8Array | null = null;
  private spilled: { readonly folder: string; readonly path: string; readonly descriptor: number } | null = null;
  private bytes: number | null = null;
  private expected = 0;

  constructor(path: string, packed: number, spillFolder: string | null) {
    this.path = path;
    this.packed = packed;
    this.spillFolder = spillFolder;
  }

  expect(bytes: number): void {
    this.expected = Math.max(this.expected, bytes);
  }

  private packedBytes(most: number, position = 0): Uint8Array {
    const descriptor = openSync(this.path, "r");
    try {
      const bytes = new Uint8Array(Math.min(most, this.packed - position));
      return bytes.subarray(0, readFully(descriptor, bytes, position));
    } finally {
      closeSync(descriptor);
    }
  }

  private everything(): Uint8Array {
    if (this.all === null) {
      const packed = this.packedBytes(Infinity);
      const maxOutputLength = 2 * this.expected + inflationReserve;
      try {
        this.all = gunzipSync(packed, { maxOutputLength });
      } catch (cause) {
        if ((cause as { code?: unknown }).code === "ERR_BUFFER_TOO_LARGE") {
          throw new FrameError(
            this.path,
            "unreadable",
            `unpacks to more than ${maxOutputLength} bytes, where its headers promise ${this.expected}`,
            "no camera writes such a file; leave it out",
            cause,
          );
        }
        // what can be had of a file that stops too early is kept, and the reader of the header says what is missing
        try {
          this.all = gunzipSync(packed, { finishFlush: constants.Z_SYNC_FLUSH, maxOutputLength });
        } catch {
          throw new FrameError(
            this.path,
            "unreadable",
            `is a damaged gzip file (${cause instanceof Error ? cause.message : String(cause)})`,
            "copy it again from the camera or unpack it by other means",
            cause,
          );
        }
      }
      this.bytes = this.all.length;
      this.start = null;
    }
    return this.all;
  }

  plainPath(): string | null {
    if (this.spilled === null) {
      const bytes = this.everything();
      try {
        const folder = mkdtempSync(join(this.spillFolder ?? unpackFolder ?? tmpdir(), UNPACKED));
        const path = join(folder, "unpacked.fits");
        const descriptor = openSync(path, "w+");
        for (let at = 0; at < bytes.length;) at += writeSync(descriptor, bytes, at, bytes.length - at);
        this.spilled = { folder, path, descriptor };
        this.all = null;
      } catch {
        return null; // no place to write: the bytes stay in memory
      }
    }
    return this.spilled.path;
  }

  sharedBytes(): Uint8Array {
    const bytes = this.everything();
    if (isShared(bytes.buffer)) return bytes;
    const shared = new Uint8Array(allocateShared(bytes.length, true), 0, bytes.length);
    shared.set(bytes);
    this.all = shared; // one copy is enough
    return shared;
  }

  size(): number {
    return this.bytes ?? this.everything().length;
  }
  holds(bytes: number): boolean {
    if (this.bytes !== null) return this.bytes >= bytes;
    // a gzip file ends with its unpacked size modulo 2^32 (RFC 1952); of several members only that of the last
    const end = this.packedBytes(4, Math.max(0, this.packed - 4));
    const stated = end.length === 4 ? new DataView(end.buffer).getUint32(0, true) : 0;
    return stated >= bytes || this.size() >= bytes;
  }

  readInto(target: Uint8Array, position: number): number {
    if (this.spilled !== null) return readFully(this.spilled.descriptor, target, position);
    if (this.all === null) {
      if (this.start === null) {
        try {
          this.start = gunzipSync(this.packedBytes(HEAD), { finishFlush: constants.Z_SYNC_FLUSH });
        } catch {
          this.start = new Uint8Array(0);
        }
      }
      if (position + target.length <= this.start.length) {
        target.set(this.start.subarray(position, position + target.length));
        return target.length;
      }
    }
    const part = this.everything().subarray(position, position + target.length);
    target.set(part);
    return part.length;
  }

  close(): void {
    if (this.spilled !== null) {
      closeSync(this.spilled.descriptor);
      rmSync(this.spilled.folder, { recursive: true, force: true });
    }
    this.spilled = null;
    this.all = null;
    this.start = null;
  }
}

/**
 * Open the bytes of a file, gzip or not (seen by its first bytes, not by its name).
 *
 * @param path the file
 * @param spillFolder where a gzip file is unpacked when regions are read; the system's folder for temporary files when
 * null
 * @throws {FrameError} when the file is missing, is a folder, is empty, cannot be read, or is packed in another way
 */
export function openBytes(path: string, spillFolder: string | null = null): ByteSource {
  const fail = (reason: "missing" | "unreadable" | "not-fits", fact: string, remedy: string, cause?: unknown) =>
    new FrameError(path, reason, fact, remedy, cause);
  let descriptor: number;
  try {
    if (statSync(path).isDirectory()) {
      throw fail("unreadable", "is a folder, not a file", "name a FITS file, or read the folder with listFrames");
    }
    descriptor = openSync(path, "r");
  } catch (cause) {
    if (cause instanceof FrameError) throw cause;
    const code = (cause as { code?: unknown }).code;
    if (code === "ENOENT") throw fail("missing", "does not exist", "check the path", cause);
    throw fail("unreadable", `cannot be opened (${String(code ?? cause)})`, "check the permissions", cause);
  }
  let keep = false;
  try {
    const { size } = fstatSync(descriptor);
    if (size === 0) throw fail("not-fits", "is empty (0 bytes)", "copy it again");
    const start = new Uint8Array(4);
    readFully(descriptor, start, 0);
    if (isGzip(start)) return new GzipSource(path, size, spillFolder);
    const packing = foreignPacking(start);
    if (packing !== null) throw fail("not-fits", `is packed with ${packing}`, "unpack it first; gzip is read as it is");
    keep = true;
    return new PlainSource(path, descriptor, size);
  } finally {
    if (!keep) closeSync(descriptor);
  }
}
