/**
 * Covers plan_simulation.ts, simulate_night.ts, simulate_calibration.ts, lantern_nebula.ts, lantern_scene.ts,
 * lantern_gas.ts, lantern_foreground.ts, ionising_rays.ts and turbulence.ts.
 */
import { createHash } from "node:crypto";
import { mkdtempSync, readdirSync, readFileSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { afterAll, describe, expect, it } from "vitest";
import { FrameError } from "../../lib/core/errors.ts";
import { applyTransform } from "../../lib/core/transform.ts";
import { readFits } from "../../lib/io/read_fits.ts";
import { listFrames } from "../../lib/io/list_frames.ts";
import { lanternScene } from "../../lib/simulate/lantern_scene.ts";
import { lanternNebula } from "../../lib/simulate/lantern_nebula.ts";
import { gradientNoise, octaves } from "../../lib/simulate/turbulence.ts";
import { expectedSignal } from "../../lib/simulate/expected_signal.ts";
import { longNight, planSimulation, pocketNight } from "../../lib/simulate/plan_simulation.ts";
import { simulateFrame } from "../../lib/simulate/simulate_frame.ts";
import { simulateCalibration } from "../../lib/simulate/simulate_calibration.ts";
import { type NightTruth, simulateNight, truthTransform } from "../../lib/simulate/simulate_night.ts";
import { writeFits } from "../../lib/io/write_fits.ts";

const demo = fileURLToPath(new URL("../../demo-data/", import.meta.url));
const scratch = mkdtempSync(join(tmpdir(), "night-"));
afterAll(() => rmSync(scratch, { recursive: true, force: true }));
const digest = (path: string) => createHash("sha256").update(readFileSync(path)).digest("hex");

interface Manifest {
  readonly nights: readonly {
    readonly files: readonly { readonly file: string; readonly bytes: number; readonly sha256: string }[];
  }[];
}
const manifest: Manifest = JSON.parse(readFileSync(join(demo, "manifest.json"), "utf8"));
const listed = manifest.nights.flatMap((night) => night.files);
const sumOf = (file: string) => listed.find((each) => each.file === file)?.sha256;

describe("the demo nights", () => {
  it("are what the manifest says, and at most 25 MB", () => {
    for (const { file, sha256 } of listed) expect(`${file} ${digest(join(demo, file))}`).toBe(`${file} ${sha256}`);
    expect(listed.reduce((sum, each) => sum + each.bytes, 0)).toBeLessThan(25e6);
    for (const rig of ["long", "pocket"]) {
      for (const folder of readdirSync(join(demo, rig), { withFileTypes: true })) {
        if (!folder.isDirectory()) continue;
        for (const name of readdirSync(join(demo, rig, folder.name))) {
          expect(sumOf(`${rig}/${folder.name}/${name}`)).toBeDefined();
        }
      }
    }
  });

  it("have a truth that is found again to the last digit, without exposing anything", () => {
    for (const [name, base] of [["long", longNight], ["pocket", pocketNight]] as const) {
      const { rig, lights } = planSimulation(base);
      const { lights: told }: Pick<NightTruth, "lights"> = JSON.parse(
        readFileSync(join(demo, name, "truth.json"), "utf8"),
      );
      expect(told.length).toBe(lights.length);
      lights.forEach(({ options }, i) => {
        const scene = { object: "", rightAscensionDegrees: 349.6, declinationDegrees: 22.5, stars: [], glow: null };
        const { backgroundElectrons, backgroundSlope, effectiveFwhmPixels } = expectedSignal(rig, scene, options).truth;
        // as JSON, which knows no −0
        const found = JSON.stringify([backgroundElectrons, backgroundSlope, effectiveFwhmPixels]);
        expect(JSON.stringify([told[i].backgroundElectrons, told[i].backgroundSlope, told[i].effectiveFwhmPixels]))
          .toBe(found);
      });
    }
  });

  it("are made again byte for byte: calibration frames, and a frame with its cap on", () => {
    const long = planSimulation(longNight);
    const pocket = planSimulation(pocketNight);
    const again = [
      ...long.calibration.filter((each) => /bias_001|dark_300s_002|flat_OIII_001|warm/.test(each.file)).map((each) =>
        ["long", long.rig, each] as const
      ),
      ...pocket.calibration.filter((each) => /dark_10s_001|flat_002/.test(each.file)).map((each) =>
        ["pocket", pocket.rig, each] as const
      ),
    ];
    expect(again.length).toBe(6);
    for (const [name, rig, planned] of again) {
      const path = join(scratch, "again.fits");
      writeFits(path, simulateCalibration(rig, planned.options).image, {
        bitpix: 16,
        compress: "RICE_1",
        record: false,
      });
      expect(`${planned.file} ${digest(path)}`).toBe(`${planned.file} ${sumOf(`${name}/${planned.file}`)}`);
    }
    // without light the scene does not matter, so a scene of no extent will do
    const capped = long.lights.find((each) => each.options.fault === "cap");
    if (capped === undefined) throw new Error("the demo night has lost its capped frame");
    const path = join(scratch, "capped.fits");
    const scene = lanternScene({ halfSizeArcsec: 40, stepArcsec: 20, maximumMagnitude: 9 });
    writeFits(path, simulateFrame(long.rig, scene, capped.options).image, {
      bitpix: 16,
      compress: "RICE_1",
      record: false,
    });
    expect(digest(path)).toBe(sumOf(`long/${capped.file}`));
  });

  it("read to the end, but for the file that is cut short", () => {
    for (const [name, lights] of [["long", 18], ["pocket", 22]] as const) {
      const { records, unreadable } = listFrames(join(demo, name));
      const bad = new Set(unreadable.map((each) => each.file));
      const found = records.filter((each) => each.kind === "light");
      expect(found.length + [...bad].filter((file) => file.startsWith("lights/")).length).toBe(lights);
    }
    expect(() => readFits(join(demo, "pocket/lights/Lantern_10s_015.fits"))).toThrow(FrameError);
  });

  it("have stars where the truth says: the brightest sample near each bright star lies within a pixel and a half", () => {
    const truth: NightTruth = JSON.parse(readFileSync(join(demo, "long/truth.json"), "utf8"));
    for (const light of [truth.lights[0], truth.lights[17]]) {
      const { data } = readFits(join(demo, "long", light.file)).planes[0];
      const [a, b, c, d, e, f] = light.skyMatrix;
      const det = a * e - b * d;
      let checked = 0;
      for (const star of truth.stars) {
        if (star.magnitude > 12 || star.magnitude < 9.8) continue;
        const u = star.east - c;
        const v = star.north - f;
        const x = (e * u - b * v) / det;
        const y = (a * v - d * u) / det;
        if (!(x > 12 && y > 12 && x < truth.width - 13 && y < truth.height - 13)) continue;
        let best = -1;
        let at = { x: 0, y: 0 };
        for (let py = Math.round(y) - 5; py <= Math.round(y) + 5; py++) {
          for (let px = Math.round(x) - 5; px <= Math.round(x) + 5; px++) {
            if (data[py * truth.width + px] > best) {
              best = data[py * truth.width + px];
              at = { x: px, y: py };
            }
          }
        }
        expect(Math.hypot(at.x - x, at.y - y)).toBeLessThan(1.5);
        checked++;
      }
      expect(checked).toBeGreaterThan(5);
    }
  });

  it("hold a meridian flip: the frames after it are turned by 180° against those before", () => {
    const truth: NightTruth = JSON.parse(readFileSync(join(demo, "long/truth.json"), "utf8"));
    const [a] = truthTransform(truth.lights[0], truth.lights[17]).matrix;
    expect(a).toBeLessThan(-0.999);
    const centre = applyTransform(truthTransform(truth.lights[0], truth.lights[17]), 455.5, 341.5);
    expect(Math.hypot(centre.x - 455.5, centre.y - 341.5)).toBeLessThan(60); // dither and re-centring
  });
});

describe("a night with every fault", () => {
  const small = { width: 72, height: 54, pixelMicrometres: 40, darks: 1, biases: 1, flats: 1, flatDarks: 0 } as const;
  const scene = { halfSizeArcsec: 500, stepArcsec: 25, maximumMagnitude: 13 } as const;

  it("strikes once with each, keeps the truth, and writes the files", () => {
    const plan = planSimulation(pocketNight, {
      ...small,
      lights: { colour: 46 },
      faults: "every",
      calibrationFaults: ["moved-dust", "light-leak-dark", "warm-dark", "short-dark", "under-exposed-flat"],
    });
    const folder = join(scratch, "every");
    const truth = simulateNight(folder, plan, { scene });
    expect(truth.lights.filter((each) => each.fault !== "none" || each.fileFault !== null).length).toBe(22);
    expect(JSON.parse(readFileSync(join(folder, "truth.json"), "utf8")).lights.length).toBe(46);
    const at = (fault: string) => truth.lights.findIndex((each) => each.fault === fault || each.fileFault === fault);
    for (const fault of ["truncated", "garbage"]) {
      expect(() => readFits(join(folder, truth.lights[at(fault)].file))).toThrow(FrameError);
    }
    const twin = at("duplicate");
    expect(digest(join(folder, truth.lights[twin].file))).toBe(digest(join(folder, truth.lights[twin - 1].file)));
    expect(readFits(join(folder, truth.lights[at("wrong-bayer")].file)).geometry.bayer).not.toBe("GBRG");
    expect(truth.calibration.filter((each) => each.fault !== null).length).toBe(5);
  });

  it("refuses a fault at a light that is not there", () => {
    expect(() => planSimulation(longNight, { lights: { Ha: 2 } })).toThrow(/must strike one of 2 lights, but got/);
    expect(() => planSimulation(longNight, { faults: "every" })).toThrow(/must have ≥ 42 lights, but got 18/);
  });
});

describe("the Lantern Nebula", () => {
  it("differs between the lines: oxygen inside, hydrogen further out, sulphur at the fronts", () => {
    const { width, height, Ha, OIII, SII } = lanternNebula(90, 90, { stepArcsec: 12 });
    const reach = (map: Float32Array) => {
      let sum = 0;
      let far = 0;
      map.forEach((v, i) => {
        const x = (i % width - (width - 1) / 2) * 12;
        const y = (Math.floor(i / width) - (height - 1) / 2) * 12;
        sum += v;
        far += v * Math.hypot(x, y);
      });
      return far / sum;
    };
    expect(reach(OIII)).toBeLessThan(reach(Ha));
    expect(reach(Ha)).toBeLessThan(reach(SII));
    for (const map of [Ha, OIII, SII]) expect(map.every((v) => v >= 0 && Number.isFinite(v))).toBe(true);
  });

  it("does not depend on the grid it is asked on: coarse and fine agree in the mean within 15 %", () => {
    const mean = (data: Float32Array) => data.reduce((a, b) => a + b, 0) / data.length;
    const coarse = lanternNebula(60, 60, { stepArcsec: 16 });
    const fine = lanternNebula(120, 120, { stepArcsec: 8 });
    for (const line of ["Ha", "OIII", "SII"] as const) {
      expect(Math.abs(mean(coarse[line]) / mean(fine[line]) - 1)).toBeLessThan(0.15);
    }
  });

  it("refuses nonsense by name", () => {
    expect(() => lanternNebula(0, 5)).toThrow(/width must be > 0, but got 0/);
  });
});

describe("turbulence", () => {
  it("of n octaves has the spectrum's slope: twice the distance, twice the difference for gain 0.5", () => {
    const field = gradientNoise("slope");
    let near = 0;
    let far = 0;
    for (let i = 0; i < 20000; i++) {
      const x = 0.37 * i;
      const y = 0.73 * i;
      const base = octaves(field, x, y, 8);
      near += (octaves(field, x + 0.02, y, 8) - base) ** 2;
      far += (octaves(field, x + 0.04, y, 8) - base) ** 2;
    }
    const exponent = Math.log2(far / near) / 2;
    // a sum of octaves with gain 1 / lacunarity has structure of exponent 1 up to the slow logarithm
    expect(exponent).toBeGreaterThan(0.7);
    expect(exponent).toBeLessThan(1.05);
  });
});
