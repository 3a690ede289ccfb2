/**
 * Frames whose samples are no counts, as a folder holds them: the stack is that of the frames as the camera wrote
 * them. Covers mend_frames.ts,
 * sensor_key.ts and remark_on_files.ts.
 */
import { afterAll, beforeAll, describe, expect, it } from "vitest";
import { cpSync, mkdtempSync, readdirSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { derive } from "../../lib/doors/extend.ts";
import { closePool, setWorkerCount } from "../../lib/doors/parallel.ts";
import { longNight, planSimulation, simulateNight } from "../../lib/doors/simulate.ts";
import { type Image, openNight, readFits, stackNight, writeFits } from "../../lib/mod.ts";
import { median } from "../../lib/stats/median.ts";

const base = mkdtempSync(join(tmpdir(), "faintlight-mend-"));
const night = join(base, "night");

beforeAll(() => {
  setWorkerCount(0);
  const plan = { width: 240, height: 180, lights: { Ha: 4 }, faults: [], calibrationFaults: [] };
  simulateNight(night, planSimulation(longNight, { ...plan, darks: 3, biases: 2, flats: 3, flatDarks: 0 }));
});
afterAll(() => {
  closePool();
  rmSync(base, { recursive: true });
});

type Change = (data: Float32Array, width: number, index: number) => void;

/** A copy of the night with the samples of some kinds of frames changed. */
function changed(name: string, kinds: readonly string[], bitpix: 16 | -32, change: Change): string {
  const folder = join(base, name);
  cpSync(night, folder, { recursive: true });
  for (const kind of kinds) {
    readdirSync(join(folder, kind)).filter((file) => file.endsWith(".fits")).sort().forEach((file, index) => {
      const image = readFits(join(folder, kind, file));
      const data = image.planes[0].data.slice();
      change(data, image.width, index);
      const planes = [{ channel: image.planes[0].channel, data }];
      writeFits(join(folder, kind, file), derive(image, { planes }, { step: "test", options: {} }), { bitpix });
    });
  }
  return folder;
}

interface Stacked {
  readonly stack: Image;
  readonly notes: string;
  readonly causes: readonly string[];
}

function stacked(folder: string): Stacked {
  const opened = openNight(folder, { out: `${folder}-out` });
  const [stack] = Object.values(stackNight(opened));
  return { stack: stack.image, notes: opened.notes.join("\n"), causes: opened.lights.map(({ cause }) => cause) };
}

/** Largest difference of two stacks over the noise that both have in common, away from the edges. */
function largestDifference({ stack: a }: Stacked, { stack: b }: Stacked): number {
  const [one, two] = [a.planes[0].data, b.planes[0].data];
  const differences = one.map((v, at) => Math.abs(v - two[at])).filter((v) => v === v);
  expect(differences.length).toBeGreaterThan(0.95 * one.length);
  return Math.max(...differences) / median(one);
}

describe("frames whose samples", () => {
  let plain: Stacked;
  beforeAll(() => {
    plain = stacked(night);
  });

  it("run from 0 to 1 are counted in ADU again, to the stack of the counts themselves", () => {
    const all = ["lights", "darks", "bias", "flats"];
    const unit = stacked(changed("unit", all, -32, (data) => data.forEach((v, at) => data[at] = v / 65535)));
    expect(unit.notes).toContain("samples run from 0 to 1: taken as shares of 65535 ADU");
    expect(unit.causes).toEqual(plain.causes);
    // what a division and a multiplication of floats may cost: a few parts in ten million of 700 ADU of offset
    expect(largestDifference(unit, plain)).toBeLessThan(1e-4);
  });

  it("are infinite or beyond any sensor are missing, in lights, darks and flats alike", () => {
    const values = [Infinity, -Infinity, 1e30];
    const spoilt: Change = (data, _, index) => {
      for (let at = 100; at < data.length; at += 997) if (index === 0) data[at] = values[at % 3];
    };
    const folder = changed("infinite", ["lights", "darks", "flats"], -32, spoilt);
    const { stack, notes, causes } = stacked(folder);
    expect(notes).toMatch(/lights\/.*: samples that are infinite or larger than any sensor counts/);
    expect(causes).toEqual(plain.causes);
    const usual = plain.stack.planes[0].data;
    const worst = stack.planes[0].data.reduce((most, v, at) => Math.max(most, Math.abs(v - usual[at])), 0);
    // a frame of four less in some pixels: noise, not 1e30
    expect(worst).toBeLessThan(0.2 * Math.max(...usual));
    expect(stack.planes[0].data.every((v) => Math.abs(v) < 1e5)).toBe(true);
  });

  it("have a border of one exact value in most lights are missing there, and no file is called corrupt", () => {
    const padded: Change = (data, width, index) =>
      data.forEach((_, at) => {
        if (at % width < 10 + index) data[at] = 0;
      });
    const folder = changed("padded", ["lights"], 16, padded);
    const { stack, notes, causes } = stacked(folder);
    expect(notes).toMatch(
      /^lights\/\S+ … lights\/\S+ \(4 files\): borders of one exact value were taken for missing data/m,
    );
    expect(causes).toEqual(plain.causes);
    const lowest = stack.planes[0].data.reduce((least, v) => Math.min(least, v === v ? v : least), Infinity);
    const usual = plain.stack.planes[0].data.reduce((least, v) => Math.min(least, v === v ? v : least), Infinity);
    expect(lowest).toBeGreaterThan(usual - 30);
  });

  it("end in zeros in one light of many leave that light a corrupt file", () => {
    const cut: Change = (data, width, index) => {
      if (index === 1) data.fill(0, 120 * width);
    };
    const folder = changed("cut", ["lights"], 16, cut);
    const { causes } = stacked(folder);
    expect(causes.filter((cause) => cause === "corrupt file").length).toBe(1);
  });

  it("are looked at once: a second opening finds the mended copies", () => {
    const labels = new Set<string>();
    const out = join(base, "unit-out");
    const again = openNight(join(base, "unit"), { out, progress: ({ label }) => void labels.add(label) });
    expect([...labels]).not.toContain("looking at samples");
    expect(again.notes.join("\n")).toContain("samples run from 0 to 1");
  });
});
