/**
 * Covers audit_flats.ts, audit_darks.ts, calibration_sets.ts, calibration_finding.ts, audit_calibration_options.ts,
 * measure/measure_calibration.ts and simulate/calibration_faults.ts.
 */
import { describe, expect, it } from "vitest";
import { createImage } from "../../lib/doors/extend.ts";
import {
  knownCalibrationFaults,
  longRig,
  pocketRig,
  type Rig,
  simulateCalibration,
  type SimulateCalibrationOptions,
} from "../../lib/doors/simulate.ts";
import {
  auditCalibration,
  type AuditInput,
  type FrameRecord,
  matchCalibration,
  measureCalibration,
} from "../../lib/mod.ts";
import { recordOf } from "../support/records.ts";

function frame(
  rig: Rig,
  file: string,
  options: Partial<SimulateCalibrationOptions>,
  parts: Partial<FrameRecord> = {},
): AuditInput {
  const { image, truth } = simulateCalibration(rig, { seed: file, ...options });
  const record = recordOf({
    kind: truth.kind,
    rig: rig.name,
    filter: options.filter ?? "",
    exposureSeconds: truth.exposureSeconds,
    sensorTemperatureC: rig.setTemperatureC === null ? null : truth.temperatureC,
    setTemperatureC: rig.setTemperatureC,
    width: rig.width,
    height: rig.height,
    bayer: rig.bayer,
    file,
    ...parts,
  });
  return { record, quality: measureCalibration(image, record) };
}

const good = (rig: Rig, n: number, name: string, options: Partial<SimulateCalibrationOptions>) =>
  Array.from({ length: n }, (_, i) => frame(rig, `${name}-${i}`, options));

describe("measureCalibration", () => {
  it("finds level, noise and phases by hand", () => {
    const data = Float32Array.from(
      { length: 64 * 64 },
      (_, i) => [10, 20, 20, 40][(Math.floor(i / 64) & 1) * 2 + (i & 1)],
    );
    const image = createImage({ width: 64, height: 64, unit: "adu", planes: [{ channel: "mosaic", data }] });
    const q = measureCalibration(image, { fullScaleAdu: 40 });
    expect(q.phaseLevels).toEqual([10, 20, 20, 40]);
    expect(q.level).toBe(22.5);
    expect(q.saturatedShare).toBe(0.25);
  });
});

describe("auditCalibration on simulated sets with one wrong frame each", () => {
  const rig = longRig;
  const bias = good(rig, 3, "bias", { kind: "bias" });
  const flats = [
    ...good(rig, 5, "ha", { kind: "flat", filter: "Ha" }),
    ...good(rig, 5, "s2", { kind: "flat", filter: "SII" }),
  ];
  const darks = good(rig, 5, "dark", { kind: "dark" });
  const problems = (inputs: AuditInput[]) =>
    auditCalibration(inputs, { minimumFrames: 3 }).filter((each) => each.problem !== "amplifier glow");
  it("has nothing to say of good frames but that their amplifier glows, which the simulated sensor's does", () => {
    expect(problems([...bias, ...flats, ...darks])).toEqual([]);
    expect(auditCalibration(darks, { minimumFrames: 3 }).map((each) => each.problem)).toEqual(["amplifier glow"]);
  });
  const flatFault = (name: keyof typeof knownCalibrationFaults) =>
    problems([
      ...bias,
      ...flats,
      frame(rig, "bad", { kind: "flat", filter: "Ha", ...knownCalibrationFaults[name].options }),
    ]);
  const darkFault = (name: keyof typeof knownCalibrationFaults) =>
    problems([...bias, ...darks, frame(rig, "bad", { kind: "dark", ...knownCalibrationFaults[name].options })]);
  it.each<[keyof typeof knownCalibrationFaults, string]>([
    ["over-exposed-flat", "over-exposed flat"],
    ["under-exposed-flat", "under-exposed flat"],
    ["wrong-filter-flat", "wrong filter"],
    ["moved-dust", "dust moved"],
  ])("flags %s, and only that", (name, problem) => {
    const found = flatFault(name);
    expect(found.map((each) => [each.file, each.problem])).toEqual([["bad", problem]]);
    expect(found[0].severity).toBe("refuse");
    expect(found[0].evidence).toMatch(/\d/);
  });
  it.each<[keyof typeof knownCalibrationFaults, string]>([
    ["light-leak-dark", "light leak"],
    ["warm-dark", "warm dark"],
  ])("flags %s, and only that", (name, problem) => {
    expect(darkFault(name).map((each) => [each.file, each.problem])).toEqual([["bad", problem]]);
  });
  it("takes a sensor's true full scale from where samples pile up, and does not call its flats faint", () => {
    const faint = good(pocketRig, 4, "flat", { kind: "flat" }).map((each) => ({
      ...each,
      record: { ...each.record, fullScaleAdu: 65535 },
    }));
    const full = frame(pocketRig, "full", { kind: "flat", ...knownCalibrationFaults["over-exposed-flat"].options });
    const both = problems([...faint, { ...full, record: { ...full.record, fullScaleAdu: 65535 } }]);
    expect(both.map((each) => [each.file, each.problem])).toEqual([["full", "over-exposed flat"]]);
    expect(problems(faint)).toEqual([]);
  });
  it("knows a warm dark by its pixels when the header is silent", () => {
    const bad = frame(rig, "bad", { kind: "dark", temperatureC: -2.5 }, { sensorTemperatureC: -10 });
    expect(problems([...darks, bad]).map((each) => [each.file, each.problem])).toEqual([["bad", "warm dark"]]);
  });
  it("knows a short dark by its pixels when the header says it is a long one", () => {
    const bad = frame(rig, "bad", { kind: "dark", exposureSeconds: 120 }, { exposureSeconds: 300 });
    const found = problems([...darks, bad]);
    expect(found.map((each) => [each.file, each.problem, each.severity])).toEqual([[
      "bad",
      "wrong exposure",
      "refuse",
    ]]);
  });
  it("leaves out a dark whose header states another exposure than the lights'", () => {
    const short = frame(rig, "short", { kind: "dark", ...knownCalibrationFaults["short-dark"].options });
    const light = recordOf({ rig: rig.name, width: rig.width, height: rig.height, exposureSeconds: 300 });
    const plan = matchCalibration([light, ...[...darks, short].map((each) => each.record)]);
    expect(plan.matches[0].dark?.frames.map((each) => each.file)).toEqual(darks.map((each) => each.record.file));
    expect(plan.rows.find((each) => each.file === "short")?.reason).toContain("exposure 120 s, lights 300 s");
  });
  it("lets darks of another exposure be scaled only with a sensor that does not glow", () => {
    const dim: Rig = { ...rig, name: "Long without glow", detector: { ...rig.detector, glowRate: 0 } };
    for (const each of [rig, dim]) {
      const long = good(each, 5, "long", { kind: "dark", exposureSeconds: 600 });
      const frames = [...long, ...good(each, 5, "b", { kind: "bias" })];
      const glow = auditCalibration(frames).some((finding) => finding.problem === "amplifier glow");
      expect(glow).toBe(each === rig);
      const light = recordOf({ rig: each.name, width: each.width, height: each.height, exposureSeconds: 300 });
      const plan = matchCalibration([light, ...frames.map(({ record }) => record)], { scaleDarks: !glow });
      expect(plan.matches[0].dark?.scale ?? null).toBe(glow ? null : 0.5);
    }
  });
  it("counts", () => {
    const found = auditCalibration(darks).filter((each) => each.problem === "too few frames");
    expect(found.length).toBe(1);
    expect(found[0].evidence).toContain("20 % of one frame's variance");
    expect(() => auditCalibration([], { minimumFrames: 0 })).toThrow("minimumFrames must be > 0, but got 0");
  });
  it("sees a Bayer phase that contradicts the header", () => {
    const colour = good(pocketRig, 2, "flat", { kind: "flat" });
    expect(auditCalibration(colour, { minimumFrames: 2 })).toEqual([]);
    const stated = pocketRig.bayer ?? "RGGB";
    const wrong = stated[0] === "G" ? "RGGB" : "GRBG";
    const turned = colour.map((each) => ({ ...each, record: { ...each.record, bayer: wrong as "RGGB" } }));
    expect(auditCalibration(turned, { minimumFrames: 2 }).map((each) => each.problem)).toEqual([
      "Bayer phase contradicts the header",
      "Bayer phase contradicts the header",
    ]);
  });
});

describe("auditCalibration on a colour rig without cooler", () => {
  const rig = pocketRig;
  const bias = good(rig, 3, "bias", { kind: "bias" });
  const flats = good(rig, 5, "flat", { kind: "flat" });
  const darks = good(rig, 5, "dark", { kind: "dark" });
  const problems = (kind: "flat" | "dark", options: Partial<SimulateCalibrationOptions>) =>
    auditCalibration([...bias, ...flats, ...darks, frame(rig, "bad", { kind, ...options })], { minimumFrames: 3 })
      .filter((each) => each.problem !== "amplifier glow").map((each) => [each.file, each.problem]);
  it.each<["flat" | "dark", keyof typeof knownCalibrationFaults, string]>([
    ["flat", "over-exposed-flat", "over-exposed flat"],
    ["flat", "under-exposed-flat", "under-exposed flat"],
    ["flat", "moved-dust", "dust moved"],
  ])("flags of the %ss %s, and only that", (kind, name, problem) => {
    expect(problems(kind, knownCalibrationFaults[name].options)).toEqual([["bad", problem]]);
  });
  it("says nothing in numbers that are none of a flat without any light", () => {
    const [first] = flats;
    const map = first.quality.map.map(() => NaN);
    const blank = { record: { ...first.record, file: "blank" }, quality: { ...first.quality, map } };
    const found = auditCalibration([...bias, ...flats, blank], { minimumFrames: 3 });
    expect(found.filter(({ evidence }) => /NaN/.test(evidence))).toEqual([]);
  });
  it("flags a dark of a warmer hour, light that leaks in, and a dark that was cut short", () => {
    expect(problems("dark", { temperatureC: 24 })).toEqual([["bad", "warm dark"]]);
    expect(problems("dark", { leakRate: 8 })).toEqual([["bad", "light leak"]]);
    const short = frame(rig, "bad", { kind: "dark", exposureSeconds: 4 }, { exposureSeconds: 10 });
    const found = auditCalibration([...bias, ...darks, short], { minimumFrames: 3 });
    expect(found.filter((each) => each.file === "bad").map((each) => each.problem)).toEqual(["wrong exposure"]);
  });
});
