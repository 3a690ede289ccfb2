/**
 * Covers match_calibration_options.ts, match_darks.ts, match_flats.ts, group_lights.ts, calibration_rules.ts and
 * calibration_uses.ts.
 */
import { describe, expect, it } from "vitest";
import { groupLights } from "../../lib/doors/parts.ts";
import { matchCalibration } from "../../lib/mod.ts";
import { recordOf, several } from "../support/records.ts";

const lights = several(3, "light", {});
const reasonOf = (plan: ReturnType<typeof matchCalibration>, file: string) =>
  plan.rows.find((row) => row.file === file);

describe("groupLights", () => {
  it("keeps apart what calibration depends on, and only that", () => {
    const groups = groupLights([
      ...lights,
      recordOf({ file: "o", filter: "OIII" }),
      recordOf({ file: "s", exposureSeconds: 60 }),
      recordOf({ file: "g", gainSetting: 100 }),
      recordOf({ file: "t", setTemperatureC: -20 }),
      recordOf({ file: "n", session: "2026-10-04" }),
      recordOf({ file: "r", rig: "Pocket" }),
      recordOf({ file: "d", kind: "dark" }),
      recordOf({ file: "same", sensorTemperatureC: -9.8, dateUtc: null }),
    ]);
    expect(groups.map((group) => group.lights.length)).toEqual([4, 1, 1, 1, 1, 1, 1]);
    expect(groups[0].name).toBe("Long · 2026-10-03 · Ha · 300 s");
  });
});

describe("matchCalibration", () => {
  it("uses what fits and says for how many lights", () => {
    const plan = matchCalibration([
      ...lights,
      ...several(6, "dark", { kind: "dark", filter: "" }),
      ...several(6, "flat", { kind: "flat", exposureSeconds: 2 }),
      ...several(6, "fd", { kind: "flat-dark", filter: "", exposureSeconds: 2 }),
    ]);
    const [match] = plan.matches;
    expect(match.dark?.frames.length).toBe(6);
    expect(match.dark?.scale).toBe(1);
    expect(match.flat?.frames.length).toBe(6);
    expect(match.flatDark?.kind).toBe("flat-dark");
    expect(plan.rows.every((row) => row.used)).toBe(true);
    expect(plan.rows[0].reason).toContain("dark for 3 lights (Long · 2026-10-03 · Ha · 300 s)");
  });
  it.each<[string, Parameters<typeof recordOf>[0], RegExp]>([
    ["rig", { rig: "Pocket" }, /taken with Pocket, not Long/],
    ["size", { width: 480 }, /size 480 × 720/],
    ["binning", { binning: 2 }, /binning 2/],
    ["gain", { gainSetting: 0 }, /gain 0, lights 56/],
    ["offset", { offsetSetting: 10 }, /offset 10, lights 30/],
    ["temperature", { sensorTemperatureC: -2.5 }, /sensor at -2.5 °C, lights at -10 °C: warmer/],
    ["exposure", { exposureSeconds: 120 }, /exposure 120 s, lights 300 s/],
  ])("refuses a dark of another %s and says so", (_name, parts, reason) => {
    const plan = matchCalibration([...lights, recordOf({ kind: "dark", filter: "", file: "dark", ...parts })]);
    expect(plan.matches[0].dark).toBeNull();
    expect(reasonOf(plan, "dark")?.used).toBe(false);
    expect(reasonOf(plan, "dark")?.reason).toMatch(reason);
    expect(plan.matches[0].notes.join(" ")).toMatch(/no dark/);
  });
  it("refuses a flat of another filter, and takes one of another gain", () => {
    const plan = matchCalibration([
      ...lights,
      recordOf({ kind: "flat", file: "o3", filter: "OIII" }),
      recordOf({ kind: "flat", file: "ha", gainSetting: 0, exposureSeconds: 2 }),
    ]);
    expect(reasonOf(plan, "o3")?.reason).toBe("filter OIII, lights Ha");
    expect(reasonOf(plan, "ha")?.used).toBe(true);
  });
  it("prefers the night's own flats, else takes the nearest and says so", () => {
    const other = several(5, "old", { kind: "flat", session: "2026-09-20", exposureSeconds: 2 });
    const own = several(5, "own", { kind: "flat", exposureSeconds: 2 });
    const both = matchCalibration([...lights, ...other, ...own]);
    expect(both.matches[0].flat?.frames.every((frame) => frame.file.startsWith("own"))).toBe(true);
    expect(reasonOf(both, "old-1.fits")?.reason).toContain("of the night 2026-09-20");
    const alone = matchCalibration([...lights, ...other]);
    expect(alone.matches[0].flat?.frames.length).toBe(5);
    expect(alone.matches[0].notes.join(" ")).toContain("dust may have moved");
  });
  it("leaves out what it is told to, with the reason given", () => {
    const flats = several(6, "flat", { kind: "flat", exposureSeconds: 2 });
    const plan = matchCalibration([...lights, ...flats], { refused: { "flat-2.fits": "wrong filter" } });
    expect(plan.matches[0].flat?.frames.length).toBe(5);
    expect(reasonOf(plan, "flat-2.fits")).toMatchObject({ used: false, reason: "wrong filter" });
  });
  it("scales darks only when there is bias to take off first", () => {
    const darks = several(6, "dark", { kind: "dark", filter: "", exposureSeconds: 600 });
    const bias = several(6, "bias", { kind: "bias", filter: "", exposureSeconds: 0 });
    expect(matchCalibration([...lights, ...darks]).matches[0].dark).toBeNull();
    const plan = matchCalibration([...lights, ...darks, ...bias]);
    expect(plan.matches[0].dark?.scale).toBe(0.5);
    expect(plan.matches[0].notes.join(" ")).toContain("valid only without amplifier glow");
    expect(reasonOf(plan, "bias-1.fits")?.used).toBe(true);
    expect(matchCalibration([...lights, ...darks, ...bias], { scaleDarks: false }).matches[0].dark).toBeNull();
    const glow = (rig: string) => matchCalibration([...lights, ...darks, ...bias], { glowingRigs: [rig] });
    expect(glow(lights[0].rig).matches[0].dark).toBeNull();
    expect(glow("another rig").matches[0].dark?.scale).toBe(0.5);
  });
  it("does not need bias where darks contain it, and says that", () => {
    const plan = matchCalibration([
      ...lights,
      ...several(6, "dark", { kind: "dark", filter: "" }),
      ...several(6, "bias", { kind: "bias", filter: "", exposureSeconds: 0 }),
    ]);
    expect(reasonOf(plan, "bias-1.fits")?.used).toBe(false);
    expect(reasonOf(plan, "bias-1.fits")?.reason).toContain("contain the bias");
  });
  it("takes a ready-made master where loose frames are few", () => {
    const plan = matchCalibration([
      ...lights,
      ...several(2, "dark", { kind: "dark", filter: "" }),
      recordOf({ kind: "master-dark", filter: "", file: "master.fits" }),
    ]);
    expect(plan.matches[0].dark?.master).toBe(true);
    expect(reasonOf(plan, "dark-1.fits")?.reason).toContain("only 2 frames");
  });
  it("allows a warmer camera without cooler more, and headers that are silent", () => {
    const warm = several(3, "light", { setTemperatureC: null, sensorTemperatureC: 15, offsetSetting: null });
    const dark = recordOf({ kind: "dark", filter: "", setTemperatureC: null, sensorTemperatureC: 18, file: "dark" });
    expect(matchCalibration([...warm, dark]).matches[0].dark?.frames.length).toBe(1);
    expect(matchCalibration([...warm, { ...dark, sensorTemperatureC: 25 }]).matches[0].dark).toBeNull();
  });
  it("speaks of every calibration file exactly once, also without lights", () => {
    const records = [
      ...several(2, "dark", { kind: "dark" }),
      recordOf({ kind: "flat", file: "flat" }),
      recordOf({ kind: "unknown", file: "u" }),
    ];
    const plan = matchCalibration(records);
    expect(plan.rows.map((row) => row.file)).toEqual(["dark-1.fits", "dark-2.fits", "flat"]);
    expect(plan.rows.every((row) => row.reason === "no lights to calibrate" && !row.used)).toBe(true);
    expect(() => matchCalibration(records, { exposureToleranceShare: -1 })).toThrow(
      "tolerances must be ≥ 0, but got -1",
    );
  });
});
