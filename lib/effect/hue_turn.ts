/** How far the hue of the nebula turned between two pictures. */
import type { BackgroundSample } from "../background/sample_background.ts";
import { linearToOklab, srgbToLinear } from "../core/colour_space.ts";
import { atan2Portable } from "../kernels/elementary.ts";

/** Below this chroma (Oklab) a hue means nothing. */
const minimumChroma = 0.01;

/** Colour of a box of a picture, a and b of Oklab. */
function boxColour({ levels }: BackgroundSample): readonly [number, number] {
  const [r, g, blue] = levels.map((v) => srgbToLinear(Math.max(0, v)));
  const [, a, b] = linearToOklab(r, g, blue);
  return [a, b];
}

/** Turn of the hue of boxes in degrees, each counted by its chroma before and after; NaN when all are grey. */
export function hueTurnDegrees(before: readonly BackgroundSample[], after: readonly BackgroundSample[]): number {
  let along = 0;
  let across = 0;
  let squaredChroma = 0;
  before.forEach((box, i) => {
    const [pa, pb] = boxColour(box);
    const [qa, qb] = boxColour(after[i]);
    along += pa * qa + pb * qb;
    across += qb * pa - qa * pb;
    squaredChroma += Math.min(pa * pa + pb * pb, qa * qa + qb * qb) / before.length;
  });
  return squaredChroma > minimumChroma * minimumChroma ? atan2Portable(across, along) * 180 / Math.PI : NaN;
}
