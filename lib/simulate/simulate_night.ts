/** A whole night as files, with the truth beside them. */
import { card, withCards } from "../core/header.ts";
import type { BayerPattern } from "../core/geometry.ts";
import { derive, type Image } from "../core/image.ts";
import { canonicalJson } from "../core/options.ts";
import { type Progress, silent } from "../core/progress.ts";
import { randomStream } from "../core/random.ts";
import { invertMatrix, type Matrix3, multiplyMatrix, type SimilarityTransform } from "../core/transform.ts";
import { readBytes } from "../io/digest_files.ts";
import { writeFits } from "../io/write_fits.ts";
import { writeWhole } from "../io/write_whole.ts";
import { knownCalibrationFaults } from "./calibration_faults.ts";
import type { FrameTruth } from "./frame_truth.ts";
import { lanternSceneFor, type LanternSceneOptions } from "./lantern_scene.ts";
import { blackBodyWidth, zeroMagnitudePhotons } from "./photometry.ts";
import { powPortable } from "../kernels/elementary.ts";
import type { FileFault, SimulationPlan } from "./plan_simulation.ts";
import { collectingAreaSquareCm } from "./rig.ts";
import type { Scene } from "./scene.ts";
import { type CalibrationTruth, simulateCalibration } from "./simulate_calibration.ts";
import { simulateFrame } from "./simulate_frame.ts";

/** Truth of one light file. */
export interface LightTruth extends FrameTruth {
  /** Path in the night's folder. */
  readonly file: string;
  /** What happened to the file; null for nothing. */
  readonly fileFault: FileFault | null;
}

/** Truth of one calibration file. */
export interface CalibrationFileTruth extends CalibrationTruth {
  /** Path in the night's folder. */
  readonly file: string;
  /** What is wrong with it; null for nothing. */
  readonly fault: string | null;
  /** The same in words; `""` for nothing. */
  readonly description: string;
}

/** A star in the truth of a night. */
export interface StarTruth {
  /** Offset from the scene's centre towards east, arcseconds. */
  readonly east: number;
  /** Offset towards north, arcseconds. */
  readonly north: number;
  /** V magnitude. */
  readonly magnitude: number;
  /** Temperature, kelvin. */
  readonly temperatureK: number;
  /** Electrons a second above the atmosphere through each band of the rig. */
  readonly rates: { readonly [band: string]: number };
}

/** Truth of a night, as in its `truth.json`. */
export interface NightTruth {
  /** Rig. */
  readonly rig: string;
  /** Columns of a frame. */
  readonly width: number;
  /** Rows of a frame. */
  readonly height: number;
  /** Arcseconds a pixel. */
  readonly arcsecPerPixel: number;
  /** Electrons per ADU. */
  readonly electronsPerAdu: number;
  /** Read noise, electrons. */
  readonly readNoise: number;
  /** Offset, ADU. */
  readonly offsetAdu: number;
  /** Light files in the order of exposure. */
  readonly lights: readonly LightTruth[];
  /** Calibration files. */
  readonly calibration: readonly CalibrationFileTruth[];
  /** Stars to magnitude 16.5. */
  readonly stars: readonly StarTruth[];
}

/** What else can be told to {@linkcode simulateNight}. */
export interface SimulateNightOptions {
  /** Changes to the scene. */
  readonly scene?: Partial<LanternSceneOptions>;
  /** Receives a report for each file. */
  readonly progress?: Progress;
  /** Write only files whose path passes; the truth is complete all the same. */
  readonly only?: (file: string) => boolean;
}

/** Causes of what happens to files, as a night report should name them. */
const fileCauses: { readonly [Name in FileFault]: string } = {
  truncated: "corrupt file",
  garbage: "corrupt file",
  duplicate: "duplicate",
  "wrong-bayer": "wrong calibration",
};

/**
 * Map from the pixels of one frame to those of another, both known by their map to the sky.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { truthTransform } from "faintlight/simulate";
 *
 * const { matrix } = truthTransform({ skyMatrix: [1, 0, 5, 0, 1, 0, 0, 0, 1] }, {
 *   skyMatrix: [1, 0, 2, 0, 1, 0, 0, 0, 1],
 * });
 * assert.equal(matrix[2], 3);
 * ```
 */
export function truthTransform(
  from: { readonly skyMatrix: Matrix3 },
  to: { readonly skyMatrix: Matrix3 },
): SimilarityTransform {
  return { kind: "similarity", matrix: multiplyMatrix(invertMatrix(to.skyMatrix), from.skyMatrix) };
}

const starTruths = (plan: SimulationPlan, scene: Scene): StarTruth[] => {
  const round = (x: number, digits: number) => Number(x.toPrecision(digits));
  const area = collectingAreaSquareCm(plan.rig);
  return scene.stars.filter((star) => star.magnitude < 16.5).map((star) => ({
    east: round(star.east, 8),
    north: round(star.north, 8),
    magnitude: round(star.magnitude, 6),
    temperatureK: round(star.temperatureK, 6),
    rates: Object.fromEntries(plan.rig.bands.map((band) => [
      band.channel,
      round(
        zeroMagnitudePhotons * area * blackBodyWidth(band, star.temperatureK) * powPortable(10, -0.4 * star.magnitude),
        6,
      ),
    ])),
  }));
};

/** A frame that claims another mosaic than its sensor has. */
const withBayer = (image: Image, bayer: BayerPattern): Image =>
  derive(image, {
    header: withCards(image.header, [card("BAYERPAT", bayer, "colours from the first stored pixel")]),
    geometry: { ...image.geometry, bayer },
  }, { step: "simulateNight", options: { bayer } });

/**
 * Expose a plan and write its files: FITS of 16 bits, Rice-compressed, with `truth.json` beside them.
 *
 * The same plan and scene give the same bytes. Cost: about 9 s for the scene and 0.6 s a megapixel and frame.
 *
 * @param folder where the files go; made when absent
 * @param plan what {@linkcode planSimulation} gave
 * @param options scene, progress, choice of files
 * @returns the truth, as written
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { longNight, planSimulation, simulateNight } from "faintlight/simulate";
 *
 * // simulateNight("demo", planSimulation(longNight)) writes the frames; the plan alone tells what they will be
 * const plan = planSimulation(longNight, { lights: { Ha: 2 }, faults: [] });
 * assert.equal(plan.lights.length, 2);
 * assert.equal(typeof simulateNight, "function");
 * ```
 */
export function simulateNight(folder: string, plan: SimulationPlan, options: SimulateNightOptions = {}): NightTruth {
  const { progress = silent, only = () => true } = options;
  const { rig } = plan;
  const total = plan.lights.length + plan.calibration.length;
  let done = 0;
  const write = (file: string, image: Image): void =>
    writeFits(`${folder}/${file}`, image, { bitpix: 16, compress: "RICE_1", record: false });
  const calibration = plan.calibration.map((planned): CalibrationFileTruth => {
    const { image, truth } = simulateCalibration(rig, planned.options);
    if (only(planned.file)) write(planned.file, image);
    progress({ label: `exposing ${rig.name}`, done: ++done, total, note: planned.file });
    const description = planned.fault === null ? "" : knownCalibrationFaults[planned.fault].description;
    return { file: planned.file, fault: planned.fault, description, ...truth };
  });
  const scene = lanternSceneFor(rig, options.scene);
  const lights = plan.lights.map((planned, at): LightTruth => {
    const { image, truth } = simulateFrame(rig, scene, planned.options);
    const path = `${folder}/${planned.file}`;
    if (only(planned.file)) {
      if (planned.fileFault === "duplicate" && at > 0) {
        writeWhole(path, readBytes(`${folder}/${plan.lights[at - 1].file}`));
      } else if (planned.fileFault === "wrong-bayer" && rig.bayer !== null) {
        write(planned.file, withBayer(image, rig.bayer === "RGGB" ? "BGGR" : "RGGB"));
      } else write(planned.file, image);
      if (planned.fileFault === "truncated") {
        const bytes = readBytes(path);
        writeWhole(path, bytes.subarray(0, Math.min(2880 * 20 + 1234, Math.floor(0.6 * bytes.length))));
      }
      if (planned.fileFault === "garbage") {
        const bytes = readBytes(path);
        const random = randomStream(`garbage ${planned.options.seed}`);
        for (let i = Math.min(2880 * 6, bytes.length >> 1); i < bytes.length; i++) {
          bytes[i] = Math.floor(256 * random.uniform());
        }
        writeWhole(path, bytes);
      }
    }
    progress({ label: `exposing ${rig.name}`, done: ++done, total, note: planned.file });
    const { fileFault } = planned;
    const cause = fileFault === null ? truth.cause : fileCauses[fileFault];
    return { file: planned.file, fileFault, ...truth, cause, keep: truth.keep && fileFault === null };
  });
  const result: NightTruth = {
    rig: rig.name,
    width: rig.width,
    height: rig.height,
    arcsecPerPixel: lights[0]?.arcsecPerPixel ?? 206.264806 * rig.pixelMicrometres / rig.focalLengthMm,
    electronsPerAdu: rig.detector.electronsPerAdu,
    readNoise: rig.detector.readNoise,
    offsetAdu: rig.detector.offsetAdu,
    lights,
    calibration,
    stars: starTruths(plan, scene),
  };
  if (only("truth.json")) writeWhole(`${folder}/truth.json`, `${canonicalJson(result)}\n`);
  return result;
}
