/**
 * Brings the lights of a stack to one level and one contrast, from place to place, before they are compared pixel by
 * pixel.
 */
import type { FrameToStack } from "../stack/frame_to_stack.ts";
import { stackFrames } from "../stack/stack_frames.ts";
import type { Canvas } from "../core/canvas.ts";
import type { NormalisationSurface } from "../core/normalisation.ts";
import type { Transform } from "../core/transform.ts";
import { parallelMap, type PoolTask } from "../parallel/pool.ts";
import { fitNormalisation, type NormalisationReference, prepareNormalisation } from "../normalise/normalise_local.ts";
import { join } from "../io/paths.ts";
import { type CheckedLight, starFlux } from "./check_lights.ts";
import type { NightContext } from "./night_context.ts";
import { type LightSource, readLight } from "./read_light.ts";

/** Lights in the mean that the others are brought to: enough that no single gradient or trail rules it. */
const mostReferenceLights = 5;

/** One factor and one offset over the whole canvas: brings a light to another one's stars and sky. */
function constantSurface(light: CheckedLight, goal: CheckedLight, canvas: Canvas): NormalisationSurface {
  const scale = starFlux(goal) / starFlux(light);
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
  const { gridWidth, gridHeight, tilePixels, scale, offset } = fitNormalisation(readLight(source), reference, {
    transform,
    fluxRatio,
  });
  return { gridWidth, gridHeight, tilePixels, scale, offset };
}

const task: PoolTask<NormaliseJob, NormalisationSurface> = {
  module: import.meta.url,
  name: "normaliseLight",
  run: normaliseLight,
};

/**
 * Surfaces that bring each light of a stack to the mean of those with the darkest sky.
 *
 * @param lights lights of one stack, registered
 * @param frameOf how a light enters a stack
 */
export function normaliseLights(
  context: NightContext,
  lights: readonly CheckedLight[],
  canvas: Canvas,
  frameOf: (light: CheckedLight, normalisation: NormalisationSurface) => FrameToStack,
): NormalisationSurface[] {
  const goal = lights.reduce((a, b) => b.weight > a.weight ? b : a);
  const sky = (light: CheckedLight) => (light.quality?.background ?? 0) / starFlux(light);
  const darkest = [...lights].sort((a, b) => sky(a) - sky(b)).slice(0, mostReferenceLights);
  const quick = stackFrames(darkest.map((light) => frameOf(light, constantSurface(light, goal, canvas))), canvas, {
    progress: context.progress,
  });
  const reference = prepareNormalisation(quick.image);
  const jobs = lights.map((light): NormaliseJob => ({
    path: join(context.folder, light.record.file),
    bayer: light.record.bayer,
    correction: light.correction,
    transform: light.registration?.transform ?? null,
    fluxRatio: starFlux(light) / starFlux(goal),
    reference,
  }));
  return parallelMap(task, jobs, { label: "local normalisation", progress: context.progress });
}
