/** Cosmic rays in the lights of a stack that is too short for its frames to tell them by comparison. */
import { removeCosmicRays, type RemoveCosmicRaysOptions } from "../calibrate/remove_cosmic_rays.ts";
import { derive, type Image } from "../core/image.ts";
import { maskBit } from "../core/mask.ts";
import type { Progress } from "../core/progress.ts";
import type { FrameQuality } from "../measure/measure_frame.ts";
import { parallelMap, type PoolTask } from "../parallel/pool.ts";
import { type LightSource, readCalibratedLight } from "./calibrate_light.ts";
import { type CheckedLight, lightSource } from "./check_lights.ts";

/**
 * Fewest lights whose comparison finds rays: of outliers 5 sigma high 62 to 85 % are found among 3 samples, above 80 %
 * among 5 (tests/stack/rejection_power_test.ts).
 */
export const fewestToCompare = 4;

/**
 * FWHM from which on stars are well sampled, pixels, and the contrast that parts rays from such stars: van Dokkum 2001,
 * PASP 113, 1420, section 4, has 2 for them and 5 for undersampled ones, which is what `removeCosmicRays` uses.
 */
const wellSampledPixels = 3;
const wellSampledContrast = 2;

/** What is known of a light, as `removeCosmicRays` wants it. */
type LightFacts = Partial<Pick<RemoveCosmicRaysOptions, "electronsPerAdu" | "readNoiseElectrons" | "contrast">>;

/** How rays are told from the stars of a light. */
const contrastFor = ({ fwhmPixels }: FrameQuality): LightFacts =>
  fwhmPixels >= wellSampledPixels ? { contrast: wellSampledContrast } : {};

/** Gain and read noise that give the noise of a light's sky; a gain that is not known follows from level and noise. */
function sensorNoise(electronsPerAdu: number | null, { background, noise }: FrameQuality): LightFacts {
  const level = Math.max(0, background);
  if (electronsPerAdu === null && !(level > noise)) return { electronsPerAdu: 1, readNoiseElectrons: noise };
  const gain = electronsPerAdu ?? level / noise ** 2;
  return { electronsPerAdu: gain, readNoiseElectrons: Math.sqrt(Math.max(0, (noise * gain) ** 2 - level * gain)) };
}

interface CleanJob extends LightSource {
  readonly facts: LightFacts;
}

/** Samples that rays hit, and what stands in their place. */
interface CleanedSamples {
  readonly places: Uint32Array;
  readonly values: Float32Array;
}

/** Find the rays of one light; runs in the pool. */
export function cleanLight({ facts, ...source }: CleanJob): CleanedSamples {
  const clean = removeCosmicRays(readCalibratedLight(source), facts);
  const { mask, planes: [{ data }] } = clean;
  const hits: number[] = [];
  mask?.forEach((bits, p) => {
    if ((bits & maskBit.cosmicRay) !== 0) hits.push(p);
  });
  return { places: Uint32Array.from(hits), values: Float32Array.from(hits, (p) => data[p]) };
}

const task: PoolTask<CleanJob, CleanedSamples> = { module: import.meta.url, name: "cleanLight", run: cleanLight };

/** The calibrated light with the samples in place of what rays hit. */
function withSamples(light: Image, { places, values }: CleanedSamples): Image {
  const data = light.planes[0].data.slice();
  places.forEach((p, k) => data[p] = values[k]);
  return derive(light, { planes: [{ channel: light.planes[0].channel, data }] }, {
    step: "removeCosmicRays",
    options: {},
    notes: [`${places.length} samples replaced`],
  });
}

/** Lights without cosmic rays, and what was done. */
export interface CleanLights {
  /** The calibrated lights, in the order given. */
  readonly images: readonly Image[];
  /** How many samples were replaced, in a sentence. */
  readonly note: string;
}

/**
 * The calibrated lights of a short stack without cosmic rays; null where comparison finds them, and for colour sensors,
 * whose mosaics have edges everywhere.
 *
 * @param members lights of one stack
 */
export function cleanLights(members: readonly CheckedLight[], progress: Progress): CleanLights | null {
  const isMono = members.every(({ record }) => record.bayer === null && record.planes === 1);
  if (members.length >= fewestToCompare || !isMono) return null;
  const jobs = members.flatMap((light) =>
    light.quality === null ? [] : [{
      ...lightSource(light),
      facts: { ...sensorNoise(light.record.electronsPerAdu, light.quality), ...contrastFor(light.quality) },
    }]
  );
  if (jobs.length < members.length) return null;
  const found = parallelMap(task, jobs, { label: "removing cosmic rays", progress });
  const total = found.reduce((sum, { places }) => sum + places.length, 0);
  return {
    images: members.map((light, k) => withSamples(readCalibratedLight(lightSource(light)), found[k])),
    note: `${members.length} lights are too few to tell cosmic rays by comparison: they were sought in each light by ` +
      `their sharp edges, ${total} samples replaced`,
  };
}
