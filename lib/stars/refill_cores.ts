/** Cores of subtracted stars refilled from their surroundings, with noise from beside the star. */
import { returnPlane } from "../core/memory.ts";
import { boxAbout, type PixelBox, type Raster } from "../core/raster.ts";
import { gaussianSmooth } from "../filters/gaussian.ts";
import { fillHoles } from "../filters/inpaint.ts";
import { directionX, directionY } from "./annulus.ts";
import { type FittedPlane, type FittedStar, noiseSmoothingPixels } from "./subtract_stars.ts";
import { type Psf, psfRadius } from "./psf.ts";
import { localBackground, scatteredRadius } from "./subtraction_residuals.ts";

/** Height over the noise from which a star's circles are subtracted and tell how far in a subtraction is true. */
export const minimumRingHeight = 25;
/** Flux over what hides a residual from which a core is always filled: no point-spread function is truer than 1 %. */
const maximumKeptFlux = 35;
/** Share of a core's radius that is looked at beyond it. */
const boxShare = 1.3;
/** Radius beside a cut top within which trails of charge and spikes are filled, in FWHM. */
const trailReachInFwhm = 4;
/** Distance from the level beside a cut star, over what hides a residual, from which a sample is a trail or a spike. */
const minimumTrailDeviation = 8;
/** Fillings pass by the noise of the samples about them: structure wider than about three pixels is followed. */
const fillSettings = { pull: 1 / 64, sweeps: 10 };
/** Distances at which noise for a core is looked for, in its own width. */
const sourceDistances = [1, 1.5, 2.2, 3];
/** Size of a sample's noise over the standard deviation above which it belongs to an object. */
const maximumNoiseSample = 4;

/** What is filled: 1 in holes, and the star of each; a star's core radius, 0 for none. */
interface Holes {
  readonly hole: Uint8Array;
  readonly owner: Int32Array;
  readonly cores: Float64Array;
}

/** Radii of a star's core and of the trails about it, and its local background. */
interface Core {
  readonly radius: number;
  readonly trails: number;
  readonly level: number;
  readonly spread: number;
}

/** Where a star's subtraction is not true enough to hide in its surroundings; null where it is. */
function coreOf(fitted: FittedPlane, psf: Psf, star: FittedStar, fillAbove: number): Core | null {
  const { residual, noise, shape: { fwhm } } = fitted;
  const { amplitude, saturatedRadius } = star;
  if (!(amplitude > 0)) return null;
  const cut = saturatedRadius > 0;
  const { level, spread } = localBackground(residual, star, noise, fwhm);
  const diagonal = Math.hypot(residual.width, residual.height);
  const limit = (cut ? 0.5 : 1) * fillAbove * spread / amplitude;
  const minimum = cut ? saturatedRadius + 1.5 : 0;
  const widest = Math.max(psfRadius(psf, limit, diagonal), minimum);
  if (widest <= 0) return null;
  let radius = widest;
  if (cut || amplitude > minimumRingHeight * noise) {
    const always = psfRadius(psf, maximumKeptFlux / amplitude * spread, diagonal);
    radius = scatteredRadius(residual, star, Math.max(minimum, always), widest, noise);
  }
  const trails = cut ? Math.max(radius, saturatedRadius + trailReachInFwhm * fwhm) : radius;
  return { radius, trails, level, spread };
}

/** Mark the samples of a star's core, and beside a cut star those of trails of charge and spikes that stand out. */
function markCore({ hole, owner }: Holes, residual: Raster, star: FittedStar, index: number, core: Core): void {
  const { place, saturatedRadius } = star;
  const { radius, trails, level, spread } = core;
  const { data, width } = residual;
  const { x0, x1, y0, y1 } = boxAbout(residual, place.x, place.y, boxShare * trails);
  for (let y = y0; y <= y1; y++) {
    for (let x = x0; x <= x1; x++) {
      const dx = x - place.x;
      const dy = y - place.y;
      const squared = place.a * dx * dx + 2 * place.b * dx * dy + place.c * dy * dy;
      const i = y * width + x;
      const inside = squared <= radius * radius || dx * dx + dy * dy <= saturatedRadius * saturatedRadius;
      const trail = saturatedRadius > 0 && squared <= trails * trails &&
        Math.abs(data[i] - level) > minimumTrailDeviation * spread;
      if (!inside && !trail) continue;
      hole[i] = 1;
      if (owner[i] < 0) owner[i] = index;
    }
  }
}

function markCores(fitted: FittedPlane, psf: Psf, fillAbove: number): Holes {
  const { residual, stars } = fitted;
  const size = residual.data.length;
  const holes = {
    hole: new Uint8Array(size),
    owner: new Int32Array(size).fill(-1),
    cores: new Float64Array(stars.length),
  };
  stars.forEach((star, index) => {
    const core = coreOf(fitted, psf, star, fillAbove);
    if (core === null) return;
    holes.cores[index] = core.trails;
    markCore(holes, residual, star, index, core);
  });
  return holes;
}

/**
 * Samples of a core whose counterpart, (mx, my) away, is outside the raster or filled itself; counted by rows until
 * there are `limit`.
 */
function missingAt(
  { width, height }: Raster,
  { hole, owner }: Holes,
  box: PixelBox,
  index: number,
  { mx, my, limit }: { readonly mx: number; readonly my: number; readonly limit: number },
): number {
  let missing = 0;
  for (let y = box.y0; y <= box.y1 && missing < limit; y++) {
    for (let x = box.x0; x <= box.x1; x++) {
      if (owner[y * width + x] !== index) continue;
      const sx = x + mx;
      const sy = y + my;
      if (sx < 0 || sy < 0 || sx >= width || sy >= height || hole[sy * width + sx]) missing++;
    }
  }
  return missing;
}

/** Shift from a core to the place beside the star that has most samples to take noise from. */
function noiseSource(residual: Raster, holes: Holes, box: PixelBox, index: number, reach: number) {
  let best = { mx: 0, my: 0 };
  let limit = Infinity;
  for (const far of sourceDistances) {
    for (let k = 0; k < 16; k++) {
      // Seven is prime to sixteen: all directions, from star to star in another order.
      const direction = (k * 7 + index) % 16;
      const mx = Math.round(far * (2 * reach + 3) * directionX[direction]);
      const my = Math.round(far * (2 * reach + 3) * directionY[direction]);
      const missing = missingAt(residual, holes, box, index, { mx, my, limit });
      if (missing >= limit) continue;
      limit = missing;
      best = { mx, my };
      if (missing === 0) return best;
    }
  }
  return best;
}

/** Noise for the fillings: what the surroundings have above their smoothed selves, moved here from beside each star. */
function addNoise({ residual, stars, noise }: FittedPlane, holes: Holes, filled: Float32Array): void {
  const { data, width, height } = residual;
  const smooth = gaussianSmooth(filled, width, height, noiseSmoothingPixels);
  stars.forEach(({ place }, index) => {
    if (!(holes.cores[index] > 0)) return;
    const reach = Math.ceil(boxShare * holes.cores[index]);
    const box = boxAbout(residual, Math.round(place.x), Math.round(place.y), reach);
    const { mx, my } = noiseSource(residual, holes, box, index, reach);
    for (let y = box.y0; y <= box.y1; y++) {
      for (let x = box.x0; x <= box.x1; x++) {
        const i = y * width + x;
        if (holes.owner[i] !== index) continue;
        const sx = x + mx;
        const sy = y + my;
        if (sx < 0 || sy < 0 || sx >= width || sy >= height) continue;
        const from = sy * width + sx;
        const sample = data[from] - smooth[from];
        // A sharp object beside the star is no noise.
        if (!holes.hole[from] && Math.abs(sample) < maximumNoiseSample * noise) filled[i] += sample;
      }
    }
  });
  returnPlane(smooth);
}

/**
 * Fill the cores of subtracted stars, where the point-spread function is not true enough, with the surface of least
 * bending through their surroundings, and with noise from beside the star.
 *
 * @param fillAbove a core is filled where the flux taken off is more than this many times what hides a residual
 * @returns a borrowed plane
 */
export function refillCores(fitted: FittedPlane, psf: Psf, fillAbove: number): Float32Array {
  const { data, width, height } = fitted.residual;
  const holes = markCores(fitted, psf, fillAbove);
  const filled = fillHoles(data, holes.hole, width, height, fillSettings);
  addNoise(fitted, holes, filled);
  return filled;
}
