/**
 * Damaged and hostile files, made by seed: each gives an error that names the file, or what it says it holds. The long
 * run, against other readers, with time and memory, is tests/bench/mutants.ts.
 */
import { describe, expect, it } from "vitest";
import { createHash } from "node:crypto";
import { writeFileSync } from "node:fs";
import { join } from "node:path";
import { FrameError } from "faintlight";
import { mutant, mutantKinds, mutantName, readMutant } from "../support/mutants.ts";
import { inFolder } from "./fixtures.ts";

const count = 150;
const seeds = Array.from({ length: count }, (_, seed) => seed);

describe.each(mutantKinds)("mutants of %s", (kind) => {
  const outcomes = inFolder((folder) =>
    seeds.map((seed) => {
      const path = join(folder, mutantName(kind, seed));
      writeFileSync(path, mutant(kind, seed));
      return { path, ...readMutant(kind, path) };
    })
  );

  it("are refused by an error that names the file, or read", () => {
    const refused = outcomes.filter(({ refusal }) => refusal !== null);
    const wanted = kind === "fits" ? FrameError : SyntaxError;
    for (const { path, refusal } of refused) {
      expect(refusal, path).toBeInstanceOf(wanted);
      expect(refusal?.message).toContain(path);
    }
    expect(refused.length).toBeGreaterThan(count / 10);
    expect(refused.length).toBeLessThan(count);
  });

  it("that are read hold a sample for every pixel that they promise", () => {
    const read = outcomes.filter(({ refusal }) => refusal === null);
    for (const { path, shape: [width, height, planeCount], planes } of read) {
      if (kind === "recipe" || kind === "decisions") expect(planes, path).toEqual([]);
      else expect(planes.map(({ length }) => length), path).toEqual(Array(planeCount).fill(width * height));
    }
    expect(read.length).toBeGreaterThan(0);
  });

  it("are the same for the same seed, and differ from one seed to the next", () => {
    const digest = (seed: number) => createHash("sha256").update(mutant(kind, seed)).digest("hex");
    expect(digest(7)).toBe(digest(7));
    expect(new Set(seeds.map(digest)).size).toBeGreaterThan(count / 3);
  });
});
