/**
 * Each cause in frames that have it. Covers diagnose_night_options.ts, night_group.ts, air_glow.ts, sky_measures.ts,
 * star_measures.ts, star_figures.ts, frame_rotation.ts, second_image.ts, transparency.ts, reference_frame.ts,
 * compare_stars.ts, atmospheric_dispersion.ts, bright_sky.ts, cloud.ts, corrupt_file.ts, curved_field.ts,
 * night/causes/defocus.ts, dew_or_haze.ts, drift_trailing.ts, duplicate.ts, elongated_stars.ts, evidence.ts,
 * field_rotation.ts, focus_drift.ts, guiding_jump.ts, lens_cap_or_shutter_closed.ts, missing_flux.ts, moonlight.ts,
 * low_altitude.ts, off_target.ts, overexposed.ts, poor_seeing.ts, satellite_or_aircraft.ts, something_in_the_way.ts, tilt.ts,
 * twilight.ts, wide_stars.ts, wind_shake.ts and wrong_calibration.ts.
 */
import { join } from "node:path";
import { describe, expect, it } from "vitest";
import { describeFrame } from "../../lib/doors/io.ts";
import { measureTransparency } from "../../lib/doors/parts.ts";
import {
  type FaultName,
  knownFaults,
  lanternScene,
  longRig,
  resizeRig,
  type Rig,
  simulateCalibration,
  simulateFrame,
} from "../../lib/doors/simulate.ts";
import { median, randomStream } from "../../lib/doors/stats.ts";
import {
  calibrateFrame,
  combineDark,
  diagnoseNight,
  type FrameQuality,
  type Image,
  measureFrame,
  type NightRow,
  readFits,
  type SimulateFrameOptions,
} from "../../lib/mod.ts";
import { missingData, openDataPath } from "../support/open_data.ts";
import { recordOf } from "../support/records.ts";

// half the rig's frame with as many stars: the seconds of a test go into exposing
const rig = resizeRig(longRig, { width: 640, height: 480 });
const scene = lanternScene({ starsToMagnitude15: 2000, stepArcsec: 2 });
const dark = rig.detector.offsetAdu + 1.2 / rig.detector.electronsPerAdu;
let minute = 0;

/** What a light of a small simulated night may differ in. */
interface LightParts {
  readonly filter?: string;
  readonly rig?: Rig;
  readonly more?: Partial<SimulateFrameOptions>;
  /** Master to take off; without it the light is measured raw. */
  readonly master?: Image;
}

/** A measured light of a small simulated night, with the seeing of a real one: 5 % from frame to frame. */
function light(
  fault: FaultName,
  seed: string,
  { filter = "OIII", rig: by = rig, more, master }: LightParts = {},
): NightRow {
  const random = randomStream(`night ${seed}`);
  const dateUtc = new Date(Date.UTC(2026, 9, 3, 20, minute++ * 6)).toISOString().slice(0, 19);
  const { image, truth } = simulateFrame(by, scene, {
    seed,
    filter,
    exposureSeconds: filter === "L" ? 30 : 300,
    dateUtc,
    fwhmArcsec: rig.fwhmArcsec * (1 + 0.05 * random.gaussian()),
    pointing: [8 * random.gaussian(), 8 * random.gaussian()],
    ...(fault === "none" ? {} : { fault }),
    ...more,
  });
  const record = recordOf({
    file: `${fault} ${seed}`,
    filter,
    dateUtc,
    width: image.width,
    height: image.height,
    airmass: describeFrame(image.header).airmass,
  });
  return {
    record,
    quality: measureFrame(master === undefined ? image : calibrateFrame(image, { dark: master }), {
      fullScaleAdu: 16383,
    }),
    darkLevel: master === undefined ? dark : 0,
    fluxRatio: null,
    digest: truth.fault + seed,
  };
}

describe("diagnoseNight on a simulated night", () => {
  const good = Array.from({ length: 9 }, (_, i) => light("none", `good ${i}`));
  const names = (Object.keys(knownFaults) as FaultName[]).filter((name) => name !== "none" && name !== "dispersion");
  const bad = names.map((name) => light(name, `bad ${name}`));
  const { frames, findings } = diagnoseNight([...good, ...bad]);
  it("keeps every good frame", () => {
    expect(frames.slice(0, good.length).map((each) => each.verdict)).toEqual(good.map(() => "keep"));
    expect(findings).toEqual([]);
  });
  it.each(names)("names the cause of %s, keeps or rejects it as it deserves, and says on what grounds", (name) => {
    const frame = frames[good.length + names.indexOf(name)];
    expect(frame.cause).toContain(knownFaults[name].cause);
    expect(frame.verdict === "reject").toBe(!knownFaults[name].keep);
    expect(frame.evidence).toMatch(/\d/);
    expect(frame.remedy).not.toBe("");
  });
  it("tells short spectra low in the sky from trailing only as far as it can, and does not take the air for cloud", () => {
    const broad = [0, 1, 2, 3, 4, 5].map((i) => light("none", `broad ${i}`, { filter: "L" }));
    const low = light("dispersion", "low", { filter: "L" });
    const frame = diagnoseNight([...broad, low]).frames[6];
    expect(frame.cause).toContain("atmospheric dispersion or drift trailing");
    expect(low.record.airmass).toBeGreaterThan(3.5);
  });
  it("takes off what the air does to light and sky as the target sets, and still sees cloud there", () => {
    // one clear frame at ever more air: 0.2 magnitudes and 30 % more sky for each unit
    const setting = Array.from({ length: 14 }, (_, i): NightRow => {
      const q = good[i % good.length].quality as FrameQuality;
      const airmass = 1.1 + 0.16 * i;
      const light = Math.pow(10, -0.08 * airmass) * (i === 11 ? 0.5 : 1);
      const sky = Math.exp(0.3 * (airmass - 1.1));
      return {
        record: recordOf({ ...good[0].record, file: `setting ${i}`, airmass }),
        darkLevel: dark,
        quality: {
          ...q,
          stars: q.stars.map((star) => ({ ...star, flux: star.flux * light })),
          background: dark + (q.background - dark) * sky,
          noise: q.noise * Math.sqrt(sky),
        },
      };
    });
    const { frames: judged } = diagnoseNight(setting);
    expect(judged.map((each) => each.verdict)).toEqual(setting.map((_, i) => i === 11 ? "reject" : "keep"));
    expect(judged[11].cause).toBe("cloud");
    // without knowing the altitude the same light is missing all the same, and nothing says why
    const blind = diagnoseNight(setting.map((row) => ({ ...row, record: { ...row.record, airmass: null } }))).frames;
    expect(blind[13].cause).toBe("cloud");
  });
  it("tells stars that the longer way through the air widens from a focus that drifts", () => {
    const at = (row: NightRow, airmass: number | null): NightRow => ({ ...row, record: { ...row.record, airmass } });
    const high = good.map((row) => at(row, 1.05));
    // Kolmogorov: 1.9 times the air makes stars 1.9^0.6 = 1.47 times as wide
    const wide = light("none", "low", { more: { fwhmArcsec: rig.fwhmArcsec * 1.45 } });
    const judge = (airmass: number | null) => diagnoseNight([...high, at(wide, airmass)]).frames[high.length];
    expect(judge(2).cause).toBe("low altitude");
    expect(judge(2).evidence).toMatch(/airmass 2\.00 \(night 1\.05\) air alone widens stars by 1\.47/);
    for (const airmass of [null, 1.05, 1.2]) expect(judge(airmass).cause).not.toContain("low altitude");
    // wider than air explains: something else as well
    const worse = at(light("none", "worse", { more: { fwhmArcsec: rig.fwhmArcsec * 1.9 } }), 1.6);
    expect(diagnoseNight([...high, worse]).frames[high.length].cause).not.toContain("low altitude");
  });
  it("sees stars trail round a centre where the trails are so long that the field map's fit is unsure", () => {
    // what turning by 2° adds along the tangent, (ρ dφ)²/12, to a round star of 1.2 pixels; then the same laid along
    // the radius
    const turned = (sign: number): NightRow => {
      const q = good[0].quality as FrameQuality;
      const angle = 2 * Math.PI / 180;
      const stars = q.stars.map((star) => {
        const dx = star.x - 300;
        const dy = star.y - 250;
        const d2 = dx * dx + dy * dy;
        const short = 1.2 ** 2;
        const long = short + d2 * angle ** 2 / 12;
        const chi = sign * (long - short) / (long + short);
        const shape: [number, number] = [-chi * (dx * dx - dy * dy) / d2, -chi * 2 * dx * dy / d2];
        return { ...star, shape, fwhmPixels: 2.3548 * Math.pow(long * short, 0.25) };
      });
      return { ...good[0], digest: null, quality: { ...q, stars, fieldMap: { ...q.fieldMap, rotation: null } } };
    };
    const judge = (row: NightRow) => diagnoseNight([...good.slice(1), row]).frames[good.length - 1];
    const round = judge(turned(1));
    const outward = judge(turned(-1));
    expect(round.cause).toContain("field rotation");
    expect(round.verdict).toBe("reject");
    const [, x, y, degrees] = (/round \((\d+), (\d+)\) by ([\d.]+)°/.exec(round.evidence) ?? []).map(Number);
    // the centre to a step of the grid it is sought on
    expect(Math.abs(x - 300)).toBeLessThan(640 / 9);
    expect(Math.abs(y - 250)).toBeLessThan(480 / 9);
    expect(Math.abs(degrees - 2)).toBeLessThan(0.2);
    expect(outward.cause).not.toContain("field rotation");
  });
  it("does not depend on the order of the rows", () => {
    const rows = [...good, ...bad];
    const turned = diagnoseNight([...rows].reverse()).frames;
    expect(turned.map((each) => each.file + each.verdict).reverse()).toEqual(
      frames.map((each) => each.file + each.verdict),
    );
  });
  it("finds the transparency that was simulated, within 2 % of clear frames", () => {
    const values = measureTransparency([...good, bad[names.indexOf("cloud")]].map((row) => ({
      stars: row.quality?.stars ?? [],
      width: rig.width,
      height: rig.height,
    })));
    for (const each of values.slice(0, good.length)) expect(Math.abs(each.value - 1)).toBeLessThan(0.08);
    // optical depth 0.9 more, spread over the frame
    expect(Math.abs(values[good.length].value - Math.exp(-0.9))).toBeLessThan(0.08);
    expect(values.every((each) => each.method === "matched")).toBe(true);
  });
  it("finds copies and unreadable files, and keeps the first of the copies", () => {
    const copy = { ...good[2], record: { ...good[2].record, file: "copy" } };
    const broken: NightRow = {
      record: recordOf({ file: "broken", filter: "OIII" }),
      quality: null,
      problem: "ends after 100 of 5760 bytes",
    };
    const result = diagnoseNight([...good, copy, broken]).frames;
    expect(result[2].verdict).toBe("keep");
    expect(result[9].cause).toBe("duplicate");
    expect(result[9].evidence).toContain(good[2].record.file);
    expect(result[10].cause).toBe("corrupt file");
    expect(result[10].evidence).toBe("ends after 100 of 5760 bytes");
  });
  it("tells a tilt or a curved field of the whole rig from a tilt of one frame", () => {
    const tilted = diagnoseNight([1, 2, 3].map((n) => light("none", `tilted ${n}`, { more: { tilt: 1.3 } })));
    expect(tilted.findings.map((each) => each.cause)).toEqual(["tilt"]);
    expect(tilted.frames.map((each) => each.cause)).toEqual(tilted.frames.map(() => "clear sky"));
    const far = { ...rig, fieldCurvature: 1.2 };
    const curved = diagnoseNight([1, 2, 3].map((n) => light("none", `curved ${n}`, { rig: far })));
    expect(curved.findings.map((each) => each.cause)).toEqual(["curved field"]);
    expect(curved.findings[0].remedy).toContain("corrector");
    expect(curved.frames.map((each) => each.verdict)).toEqual(curved.frames.map(() => "keep"));
    // the night above holds one tilted frame: it is named there and no finding on the rig
    expect(frames[good.length + names.indexOf("tilt")].causes).toContain("tilt");
  });
  it("knows a dark that does not belong to the light: no sky is darker than none", () => {
    const masterOf = (offsetAdu: number) =>
      combineDark([1, 2, 3].map((seed) =>
        simulateCalibration({ ...rig, detector: { ...rig.detector, offsetAdu } }, {
          kind: "dark",
          seed,
          temperatureC: -10,
          exposureSeconds: 300,
        }).image
      ));
    const right = masterOf(rig.detector.offsetAdu);
    const wrong = masterOf(rig.detector.offsetAdu + 60);
    const lights = (master: Image, list: readonly number[]) =>
      list.map((n) => light("none", `calibrated ${n}`, { master }));
    const ours = lights(right, [1, 2, 3]);
    const theirs = lights(wrong, [4, 5, 6]);
    const one = diagnoseNight([...ours, theirs[0]]);
    expect(one.frames.slice(0, 3).every((each) => each.cause === "clear sky")).toBe(true);
    expect(one.frames[3].causes).toContain("wrong calibration");
    expect(one.frames[3].remedy).toContain("darks of the lights' exposure");
    expect(one.findings).toEqual([]);
    // all of a run: one finding more
    expect(diagnoseNight(theirs).findings.map((each) => each.cause)).toEqual(["wrong calibration"]);
  });
  it("names the moon, and both causes of frames that two have struck", () => {
    const moon = [{ ratio: 9, temperatureK: 5500, slope: 0.05, bend: 0, positionAngleDegrees: 60 }];
    const rows = [
      light("none", "moon", { more: { extraSky: moon } }),
      light("drift", "cloudy drift", { more: { opacity: 0.9 } }),
      light("guiding-jump", "cloudy jump", { more: { opacity: 0.9 } }),
    ];
    const [lit, drifted, jumped] = diagnoseNight([...good, ...rows]).frames.slice(good.length);
    expect(lit.cause).toContain("moonlight");
    for (const [frame, cause] of [[drifted, "drift trailing"], [jumped, "guiding jump"]] as const) {
      expect(frame.verdict).toBe("reject");
      expect(frame.causes).toContain("cloud");
      expect(frame.causes).toContain(cause);
      // a remedy for each
      expect(frame.remedy).toContain("; ");
    }
  });
  it("sees a hidden part by few stars, if all of them are gone there, and misses no star that shows only now and then", () => {
    const few = good.map((row): NightRow => {
      const q = row.quality as FrameQuality;
      return { ...row, quality: { ...q, stars: q.stars.slice(0, 36), starCount: 36 } };
    });
    const change = (row: NightRow, keep: (x: number, i: number) => boolean): NightRow => {
      const q = row.quality as FrameQuality;
      return { ...row, digest: null, quality: { ...q, stars: q.stars.filter(({ x }, i) => keep(x, i)) } };
    };
    const obstructed = diagnoseNight([...few.slice(0, 8), change(few[8], (x) => x < 420)]).frames[8];
    expect(obstructed.cause).toBe("something in the way");
    expect(obstructed.verdict).toBe("reject");
    expect(obstructed.evidence).toMatch(/stars towards (0|15|345)° have 0 %/);
    // as many stars missing here and there are nothing in the way
    const patchy = diagnoseNight([...few.slice(0, 8), change(few[8], (_x, i) => i % 3 !== 1)]).frames[8];
    expect(patchy.cause).not.toContain("in the way");
    // stars on one side that most frames do not show are not missed in those
    const knots = few.map((row, k) => k < 6 ? change(row, (x) => x < 420) : row);
    expect(diagnoseNight(knots).frames.slice(0, 6).some((each) => each.cause.includes("in the way"))).toBe(false);
  });
  it("tells a focus that creeps from a leap after restless air", () => {
    const series = (widths: readonly number[]) =>
      diagnoseNight([...widths, 1, 0.99, 1.01, 1, 0.98, 1.02, 1, 0.99].map((width, n): NightRow => {
        const q = good[n % good.length].quality as FrameQuality;
        const first = good[0].quality as FrameQuality;
        return {
          ...good[n % good.length],
          digest: null,
          record: recordOf({
            ...good[0].record,
            file: `run ${n}`,
            dateUtc: `2026-10-03T${20 + (n >> 2)}:${(n & 3) * 15 + 10}:00`,
          }),
          quality: {
            ...q,
            fwhmPixels: first.fwhmPixels * width,
            shortSigmaPixels: first.shortSigmaPixels * width,
            centralLevel: width > 1.9 ? 0.5 : 1,
            moffatBeta: first.moffatBeta,
            fieldMap: first.fieldMap,
            eccentricity: 0,
          },
        };
      })).frames;
    const creeping = series([1.05, 1.15, 1.27, 1.4, 1.55]);
    expect(creeping[4].causes).toEqual(["focus drift"]);
    expect(creeping[4].evidence).toContain("rising over 5 frames");
    const leap = series([1.02, 1.04, 1.06, 1.09, 2]);
    expect(leap[4].causes).toEqual(["defocus"]);
  });
  it("judges light and noise together by what a frame is worth", () => {
    const change = (light: number, noise: number): NightRow => {
      const q = good[0].quality as FrameQuality;
      return {
        ...good[0],
        digest: null,
        quality: {
          ...q,
          stars: q.stars.map((star) => ({ ...star, flux: star.flux * light })),
          noise: q.noise * noise,
          background: dark + (q.background - dark) * noise ** 2,
        },
      };
    };
    const judge = (row: NightRow) => diagnoseNight([...good.slice(1), row]).frames[good.length - 1];
    expect(judge(change(0.75, 1)).verdict).toBe("down-weight");
    expect(judge(change(1, 1.42)).verdict).toBe("down-weight");
    // (0.75 / 1.42)² is 28 % of a clear frame
    expect(judge(change(0.75, 1.42)).verdict).toBe("reject");
    expect(judge(change(1, 1.75)).verdict).toBe("reject");
    const burnt = { ...good[0], digest: null, quality: { ...good[0].quality as FrameQuality, saturatedShare: 0.3 } };
    expect(judge(burnt).cause).toBe("overexposed");
  });
  it("names two causes of one frame, and says when it cannot tell", () => {
    const q = good[0].quality as FrameQuality;
    const both: NightRow = {
      ...good[0],
      digest: null,
      fluxRatio: null,
      quality: {
        ...q,
        stars: q.stars.map((star) => ({ ...star, flux: star.flux * 0.5 })),
        doubling: { dx: 6, dy: 2, ratio: 0.4, share: 0.9 },
      },
    };
    const frame = diagnoseNight([...good.slice(1), both]).frames[8];
    expect(frame.causes.slice(0, 2).sort()).toEqual(["cloud", "guiding jump"]);
    const wide: NightRow = {
      ...good[0],
      digest: null,
      quality: { ...q, fwhmPixels: q.fwhmPixels * 1.5, moffatBeta: 3.2 },
    };
    expect(diagnoseNight([...good.slice(1), wide]).frames[8].cause).toContain(" or ");
  });
  it("judges nothing when there is nothing, and refuses limits that are none", () => {
    expect(diagnoseNight([])).toEqual({ frames: [], findings: [] });
    expect(() => diagnoseNight([], { rejectWidth: 0 })).toThrow("diagnoseNight: rejectWidth must be > 0, but got 0");
  });
});

describe("real frames", () => {
  it.skipIf(missingData("lights-m13-mono"))(
    "five lights of a cluster under one sky are kept: their stars are few, and their summed light agrees to a few hundredths",
    () => {
      const folder = openDataPath("lights-m13-mono");
      const files = [1, 2, 3, 4, 5].map((n) => `M13_blue_000${n}.fits`);
      const sums: number[] = [];
      const rows = files.map((file): NightRow => {
        const image = readFits(join(folder, file));
        const facts = describeFrame(image.header);
        const { data } = image.planes[0];
        // the cluster's light within 30 pixels of its middle, above the median of the frame: no star list involved
        const middle = [[660, 514], [647, 517], [635, 520], [625, 518], [615, 518]][files.indexOf(file)];
        const sky = median(data);
        let sum = 0;
        for (let y = middle[1] - 30; y <= middle[1] + 30; y++) {
          for (let x = middle[0] - 30; x <= middle[0] + 30; x++) {
            if (Math.hypot(x - middle[0], y - middle[1]) < 30) sum += data[y * image.width + x] - sky;
          }
        }
        sums.push(sum);
        return { record: recordOf({ ...facts, kind: "light", file }), quality: measureFrame(image, facts) };
      });
      expect(Math.min(...sums) / Math.max(...sums)).toBeGreaterThan(0.9);
      expect(diagnoseNight(rows).frames.map((each) => each.verdict)).toEqual(files.map(() => "keep"));
    },
  );
});
