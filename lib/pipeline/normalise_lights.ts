/**
 * Brings the lights of a stack to one level and one contrast, from place to place, before they are compared pixel by
 * pixel.
 */
import type { FrameQuality } from "../measure/measure_frame.ts";
import type { FrameToStack } from "../stack/frame_to_stack.ts";
import type { TrailBand } from "../stack/trail_bands.ts";
import { stackFrames } from "../stack/stack_frames.ts";
import type { Canvas } from "../core/canvas.ts";
import type { NormalisationSurface } from "../core/normalisation.ts";
import type { Transform } from "../core/transform.ts";
import { parallelMap, type PoolTask } from "../parallel/pool.ts";
import { fitNormalisation } from "../normalise/fit_normalisation.ts";
import { type NormalisationReference, prepareNormalisation } from "../normalise/prepare_normalisation.ts";
import { type LightSource, readCalibratedLight } from "./calibrate_light.ts";
import { type CheckedLight, lightSource, starFluxRatio } from "./check_lights.ts";
import type { NightContext } from "./night_context.ts";

/** Lights in the mean that the others are brought to: enough that no single gradient or trail rules it. */
const mostReferenceLights = 5;

/** One factor and one offset over the whole canvas: brings a light to another one's stars and sky. */
function constantSurface(light: CheckedLight, goal: CheckedLight, canvas: Canvas): NormalisationSurface {
  const scale = starFluxRatio(goal) / starFluxRatio(light);
  const offset = (goal.quality?.background ?? 0) - scale * (light.quality?.background ?? 0);
  const planes = light.record.bayer !== null || light.record.planes === 3 ? 3 : 1;
  const nodes = (value: number) => Array.from({ length: planes }, () => Float32Array.of(value));
  const tilePixels = Math.max(canvas.width, canvas.height);
  return { gridWidth: 1, gridHeight: 1, tilePixels, scale: nodes(scale), offset: nodes(offset) };
}

/** What the pool needs to fit one light. */
interface NormaliseJob extends LightSource {
  readonly transform: Transform | null;
  readonly fluxRatio: number;
  readonly reference: NormalisationReference;
}

/** Surface of one light; runs in the pool. */
export function normaliseLight({ transform, fluxRatio, reference, ...source }: NormaliseJob): NormalisationSurface {
  const { gridWidth, gridHeight, tilePixels, scale, offset } = fitNormalisation(
    readCalibratedLight(source),
    reference,
    { transform, fluxRatio },
  );
  return { gridWidth, gridHeight, tilePixels, scale, offset };
}

const task: PoolTask<NormaliseJob, NormalisationSurface> = {
  module: import.meta.url,
  name: "normaliseLight",
  run: normaliseLight,
};

/** The light of a stack that counts most: the others are brought to its stars. */
const heaviest = (lights: readonly CheckedLight[]): CheckedLight =>
  lights.reduce((a, b) => b.weight > a.weight ? b : a);

/**
 * Surfaces that bring lights to the mean of those of a stack that have the darkest sky.
 *
 * @param lights the lights to bring there; need not belong to the stack
 * @param members lights of the stack, registered
 */
export function normaliseLights(
  context: Pick<NightContext, "progress">,
  lights: readonly CheckedLight[],
  members: readonly CheckedLight[],
  canvas: Canvas,
): NormalisationSurface[] {
  const goal = heaviest(members);
  const sky = (light: CheckedLight) => (light.quality?.background ?? 0) / starFluxRatio(light);
  const darkest = [...members].sort((a, b) => sky(a) - sky(b)).slice(0, mostReferenceLights);
  const quick = stackFrames(levelledFrames(darkest, goal, canvas), canvas, { progress: context.progress });
  const reference = prepareNormalisation(quick.image);
  const jobs = lights.map((light): NormaliseJob => ({
    ...lightSource(light),
    transform: light.registration?.transform ?? null,
    fluxRatio: starFluxRatio(light) / starFluxRatio(goal),
    reference,
  }));
  return parallelMap(task, jobs, { label: "local normalisation", progress: context.progress });
}

/** Lights of a stack as frames that one factor and one offset each brings to the light that counts most. */
const levelledFrames = (lights: readonly CheckedLight[], goal: CheckedLight, canvas: Canvas): FrameToStack[] =>
  lights.map((light) => frameToStack(light, constantSurface(light, goal, canvas)));

/** Lights brought to the level and the stars of the one that counts most, everywhere alike. */
export const levelLights = (lights: readonly CheckedLight[], canvas: Canvas): NormalisationSurface[] =>
  lights.map((light) => constantSurface(light, heaviest(lights), canvas));

/** How far a trail's line may lie from where it was found, pixels: it is known to a sample of the 2 × 2 grid. */
const lineErrorPixels = 3;

/**
 * Half-width of a trail in FWHM of the stars, beyond its line's error: a line drawn by a Moffat profile of β = 2.5
 * holds 2 % of its brightness there, what is wider is bright enough for the outlier test.
 */
const trailHalfWidthInFwhm = 2;

/** The bands of a light that trails cover. */
const trailBands = ({ trails, fwhmPixels }: FrameQuality): TrailBand[] =>
  trails.map(({ from, to }) => ({
    from,
    to,
    halfWidthPixels: lineErrorPixels + trailHalfWidthInFwhm * (Number.isFinite(fwhmPixels) ? fwhmPixels : 2),
  }));

/** A light on its way into a stack. */
export function frameToStack(light: CheckedLight, normalisation: NormalisationSurface | null): FrameToStack {
  const { record, calibrator, registration, weight } = light;
  return {
    source: record,
    name: record.file,
    transform: registration?.transform ?? undefined,
    weight,
    correction: calibrator.correction(),
    normalisation,
    bayer: record.bayer,
    electronsPerAdu: record.electronsPerAdu,
    trails: light.quality === null ? [] : trailBands(light.quality),
  };
}
