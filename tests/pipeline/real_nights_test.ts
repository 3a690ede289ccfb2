/** Nights of real telescopes, from the open data sets beside the project: what is true of them stands in their READMEs. */
import { afterAll, describe, expect, it } from "vitest";
import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { closePool } from "../../lib/doors/parallel.ts";
import { defaultRecipe, type Night, openNight } from "../../lib/mod.ts";
import { missingData, openDataPath } from "../support/open_data.ts";

const out = mkdtempSync(join(tmpdir(), "faintlight-real-"));
afterAll(() => {
  closePool();
  rmSync(out, { recursive: true });
});

const open = (set: string): Night => openNight(openDataPath(set), { out: join(out, set) });
const causesOf = ({ lights }: Night) => Object.fromEntries(lights.map(({ file, cause }) => [file, cause]));
const withCause = (night: Night, part: string) =>
  Object.entries(causesOf(night)).filter(([, cause]) => cause.includes(part)).map(([file]) => file);

describe("night-mono-observatory", () => {
  const set = "night-mono-observatory";
  it.skipIf(missingData(set))("places all frames, names the two true trails and no false focus drift", () => {
    const night = open(set);
    expect(night.lights.length).toBe(9);
    expect(night.lights.every(({ transform }) => transform !== null)).toBe(true);
    expect(withCause(night, "satellite or aircraft").map((file) => file.slice(-12, -8))).toEqual(["0131", "0149"]);
    expect(withCause(night, "focus drift")).toEqual([]);
    // airmass 1.95 where the sharper half has 1.04
    expect(withCause(night, "low altitude").map((file) => file.slice(-12, -8))).toEqual(["0192"]);
    expect(withCause(night, "twilight").map((file) => file.slice(-12, -8))).toContain("0126");
  });
});

describe("night-mono-small", () => {
  const set = "night-mono-small";
  it.skipIf(missingData(set))("keeps all 24 frames of a field that drifts by 220 pixels, and sees no aircraft", () => {
    const night = open(set);
    expect(night.lights.length).toBe(24);
    expect(night.lights.map(({ verdict }) => verdict)).toEqual(night.lights.map(() => "keep"));
    expect(night.lights.every(({ transform }) => transform !== null)).toBe(true);
    expect(withCause(night, "satellite or aircraft")).toEqual([]);
  });
});

describe("lights-m1-bvr", () => {
  const set = "lights-m1-bvr";
  it.skipIf(missingData(set))("is drawn in colour, the bands by wavelength", () => {
    const stacks = open(set).lights.map(({ stack }) => stack);
    const recipe = defaultRecipe(stacks, { x: 0, y: 0, width: 1000, height: 1000 });
    expect(recipe.name).toBe("bands by wavelength: rprime red, V green, B blue");
  });
});
