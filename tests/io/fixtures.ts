/** Files and values of fixtures/fits, and a folder for files that tests write. */
import { mkdtempSync, readFileSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { createHash } from "node:crypto";
import type { Region } from "../../lib/core/geometry.ts";
import { readRegion, type RegionSource } from "../../lib/io/read_region.ts";
import type { PoolTask } from "../../lib/parallel/pool.ts";

/** Path of a committed FITS file. */
export const fixture = (name: string): string => fileURLToPath(new URL(`../../fixtures/fits/${name}`, import.meta.url));

/** A number as JSON keeps it. */
export type StoredNumber = number | "NaN" | "Infinity" | "-Infinity";

/** What astropy read from a committed file. */
export interface ExpectedFile {
  readonly hdu: number;
  readonly shape: readonly number[];
  readonly values: readonly StoredNumber[];
  readonly every?: number;
  readonly cards?: Readonly<Record<string, string | number | boolean>>;
  readonly big?: string;
}

/** What astropy read from one image of a public file. */
export interface ExpectedImage {
  readonly hdu: number;
  readonly shape: readonly number[];
  readonly sha256: string;
  readonly first: readonly StoredNumber[];
  readonly mean: StoredNumber | null;
}

const json = <T>(name: string): T => JSON.parse(readFileSync(fixture(name), "utf8")) as T;

/** Values of the committed files. */
export const expectedFiles = (): Readonly<Record<string, ExpectedFile>> =>
  json<{ files: Record<string, ExpectedFile> }>("expected.json").files;

/** Values of the public files. */
export const expectedOpenData = (): Readonly<Record<string, readonly ExpectedImage[]>> =>
  json<{ files: Record<string, ExpectedImage[]> }>("open-data.json").files;

/** SHA-256 of planes as little-endian float32 with one kind of NaN, as fixtures/fits/generate.py makes it. */
export function digestOfPlanes(planes: readonly Float32Array[]): string {
  const hash = createHash("sha256");
  for (const plane of planes) {
    const copy = Float32Array.from(plane);
    const bits = new Uint32Array(copy.buffer);
    for (let i = 0; i < copy.length; i++) if (copy[i] !== copy[i]) bits[i] = 0x7fc00000;
    hash.update(new Uint8Array(copy.buffer));
  }
  return hash.digest("hex");
}

/** Run with a folder that is removed afterwards. */
export function inFolder<T>(body: (folder: string) => T): T {
  const folder = mkdtempSync(join(tmpdir(), "faintlight-test-"));
  try {
    return body(folder);
  } finally {
    rmSync(folder, { recursive: true, force: true });
  }
}

/** A piece of work for a pool worker. */
export interface SumRegionJob {
  readonly source: RegionSource;
  readonly region: Region;
}

/** Sum of the samples of a region. */
export const sumRegion = ({ source, region }: SumRegionJob): number =>
  readRegion(source, region).reduce((sum, each) => sum + each, 0);

/** {@linkcode sumRegion} for the pool. */
export const sumRegionTask: PoolTask<SumRegionJob, number> = {
  module: import.meta.url,
  name: "sumRegion",
  run: sumRegion,
};
