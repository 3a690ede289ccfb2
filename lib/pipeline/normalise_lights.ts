/** Brings the lights of a stack to one level and one contrast before they are compared pixel by pixel. */
import type { Canvas } from "../core/canvas.ts";
import type { NormalisationSurface } from "../core/normalisation.ts";
import type { CheckedLight } from "./check_lights.ts";
import type { NightContext } from "./night_context.ts";

/** Constant factor and offset over the whole canvas. */
function constantSurface(scale: number, offset: number, planes: number, canvas: Canvas): NormalisationSurface {
  const tilePixels = Math.max(canvas.width, canvas.height) * canvas.scale;
  const nodes = (value: number) => Array.from({ length: planes }, () => Float32Array.of(value));
  return { gridWidth: 1, gridHeight: 1, tilePixels, scale: nodes(scale), offset: nodes(offset) };
}

/**
 * Surfaces that bring each light of a stack to the stack's reference light: the one that counts most.
 *
 * @param lights lights of one stack, registered
 */
export function normaliseLights(
  _context: NightContext,
  lights: readonly CheckedLight[],
  canvas: Canvas,
): NormalisationSurface[] {
  const reference = lights.reduce((a, b) => b.weight > a.weight ? b : a);
  const lightOf = (light: CheckedLight) => light.registration?.fluxRatio ?? light.diagnosis.transparency;
  return lights.map((light) => {
    const ratio = lightOf(light) / lightOf(reference);
    const scale = ratio > 0 ? 1 / ratio : 1;
    const planes = light.record.bayer !== null || light.record.planes === 3 ? 3 : 1;
    const sky = light.quality?.background ?? 0, goal = reference.quality?.background ?? 0;
    return constantSurface(scale, goal - scale * sky, planes, canvas);
  });
}
