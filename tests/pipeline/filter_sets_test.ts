/** Nights of each set of filters, from raw frames to the picture: which stacks it is made of, and what it says. */
import { afterAll, describe, expect, it } from "vitest";
import { existsSync, mkdtempSync, readFileSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import {
  addFilter,
  longNight,
  longRig,
  planSimulation,
  pocketNight,
  resizeRig,
  shapePassband,
  simulateNight,
} from "../../lib/doors/simulate.ts";
import { closePool } from "../../lib/doors/parallel.ts";
import { defaultRecipe, type Image, openNight, runNight, runRecipe, stackNight } from "../../lib/mod.ts";

const base = mkdtempSync(join(tmpdir(), "faintlight-filters-"));
afterAll(() => {
  closePool();
  rmSync(base, { recursive: true });
});

/** Bands of a mono camera for colours. */
const broad = [
  shapePassband("R", 630, 100, 0.5, 12),
  shapePassband("G", 530, 95, 0.55, 12),
  shapePassband("B", 450, 95, 0.5, 12),
];

/** Simulate a small night through filters. */
function simulate(name: string, lights: Readonly<Record<string, number>>, filters = Object.keys(lights)): string {
  const size = { width: 320, height: 240 };
  const plan = planSimulation(longNight, {
    ...size,
    lights,
    faults: [],
    calibrationFaults: [],
    darks: 2,
    biases: 2,
    flats: 2,
    flatDarks: 2,
  });
  const own = [...resizeRig(longRig, size).bands, ...broad];
  // bands under the names that the night gives them
  const bands = Object.keys(lights).map((filter, k) => ({
    ...(own.find(({ channel }) => channel === filters[k]) ?? own[0]),
    channel: filter,
  }));
  const folder = join(base, name);
  simulateNight(folder, { ...plan, rig: { ...plan.rig, bands } });
  return folder;
}

/** The picture that the night's filters ask for, and what was done on the way. */
function pictureOf(folder: string) {
  const stacks = stackNight(openNight(folder, { out: `${folder}-out` }));
  const [{ image }] = Object.values(stacks);
  const recipe = defaultRecipe(Object.keys(stacks), { x: 0, y: 0, width: image.width, height: image.height });
  const picture = runRecipe(recipe, Object.fromEntries(Object.entries(stacks).map(([k, each]) => [k, each.image])));
  const { planes, history } = picture as Image;
  return { name: recipe.name, planes: planes.length, notes: history.nodes.flatMap((node) => node.notes ?? []) };
}

describe("a night through", () => {
  it("L, R, G, B and H-alpha: colour with the lightness of all of them, the line joined to red", () => {
    const { name, planes, notes } = pictureOf(simulate("lrgb", { L: 4, R: 2, G: 2, B: 2, Ha: 3 }));
    expect([name, planes]).toEqual(["colour; lightness from L and the colours; Ha joined to R", 3]);
    // L and the colours together have less noise than L alone
    const [, alone, together] = /noise ([\d.]+) alone, ([\d.]+) together/.exec(notes.join("\n")) ?? [];
    expect(Number(together)).toBeLessThan(0.95 * Number(alone));
    expect(notes.join("\n")).toMatch(/R \+ [\d.]+ × Ha/);
  });

  it("three bands by other names: colour by wavelength", () => {
    const { name, planes } = pictureOf(simulate("bvr", { B: 2, V: 2, rprime: 2 }, ["B", "G", "R"]));
    expect([name, planes]).toEqual(["bands by wavelength: rprime red, V green, B blue", 3]);
  });

  it("filters that nobody knows: a gray picture, and the other named", () => {
    const remarks: string[] = [];
    const folder = simulate("unknown", { rose: 3, slot5: 2 }, ["R", "G"]);
    runNight(folder, { out: `${folder}-out`, remark: (line) => remarks.push(line) });
    expect(JSON.parse(readFileSync(`${folder}-out/record.json`, "utf8")).recipe.name).toBe("rose alone");
    expect(remarks.join("\n")).toContain("makes no use of slot5");
  });

  it("a dual-band filter before a colour sensor: hydrogen and oxygen unmixed and painted", () => {
    const size = { width: 320, height: 240 };
    const plan = planSimulation(pocketNight, { ...size, lights: { colour: 6 }, faults: [], calibrationFaults: [] });
    const windows = [shapePassband("Ha", 656.3, 7, 0.9, 12), shapePassband("OIII", 500.7, 7, 0.9, 12)];
    const folder = join(base, "dual");
    simulateNight(folder, { ...plan, rig: addFilter(plan.rig, "Ha/OIII", windows) });
    runNight(folder, { out: `${folder}-out` });
    const { recipe } = JSON.parse(readFileSync(`${folder}-out/record.json`, "utf8"));
    expect(recipe.name).toBe("H-alpha and oxygen: HOO");
    expect(recipe.steps.map(({ step }: { step: string }) => step)).toContain("unmixLines");
    expect(existsSync(join(`${folder}-out`, "stacks", "colour.fits"))).toBe(true);
  });
});
