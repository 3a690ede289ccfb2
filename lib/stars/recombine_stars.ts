/** Stars put back over what lies behind them. */
import { allocatePlane, derive, type Image, isLinear, requireImage, requireSameSize } from "../core/image.ts";
import { settle } from "../core/options.ts";

/** Options of {@linkcode recombineStars}. */
export interface RecombineStarsOptions {
  /** Factor on the flux of the stars: 1 puts them back as they were, 0 leaves them out. */
  readonly strength: number;
  /** `add` for linear data, `screen` (1 − (1 − a)(1 − b)) for pictures, `automatic` by the unit. */
  readonly method: "automatic" | "add" | "screen";
}

/** What {@linkcode recombineStars} uses for an option left out: all of their flux, added where data are linear. */
export const recombineStarsDefaults: Readonly<RecombineStarsOptions> = Object.freeze({
  strength: 1,
  method: "automatic",
});

/**
 * Put stars back: starless + strength · stars on linear data, 1 − (1 − starless)(1 − strength · stars) on pictures,
 * where a sum would clip. With strength 1 on linear data the original of {@linkcode separateStars} returns to the bit.
 *
 * In:  two images of one size, unit and number of planes. Out: like the first; NaN in either gives NaN. Cost: one pass.
 *
 * @throws {TypeError} if units or planes differ, or linear data shall be screened
 * @throws {RangeError} if sizes differ or the strength is negative
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, recombineStars } from "faintlight";
 *
 * const behind = constantImage(1, 1, 0.5, { unit: "display" }), stars = constantImage(1, 1, 0.5, { unit: "display" });
 * assert.equal(recombineStars(behind, stars).planes[0].data[0], 0.75);
 * ```
 */
export function recombineStars(starless: Image, stars: Image, options: Partial<RecombineStarsOptions> = {}): Image {
  requireImage("recombineStars", starless, "starless");
  requireImage("recombineStars", stars, "stars");
  const used = settle("recombineStars", recombineStarsDefaults, options);
  requireSameSize("recombineStars", starless, stars);
  const { strength } = used;
  if (!(strength >= 0)) throw new RangeError(`recombineStars: strength must be ≥ 0, but got ${strength}`);
  if (starless.unit !== stars.unit) {
    throw new TypeError(`recombineStars: images must have one unit, but got "${starless.unit}" and "${stars.unit}"`);
  }
  if (starless.planes.length !== stars.planes.length) {
    throw new TypeError(
      `recombineStars: images must have as many planes, but got ${starless.planes.length} and ${stars.planes.length}`,
    );
  }
  const method = used.method === "automatic" ? (isLinear(starless) ? "add" : "screen") : used.method;
  if (method !== "add" && method !== "screen") {
    throw new RangeError(
      `recombineStars: method must be "automatic", "add" or "screen", but got ${JSON.stringify(used.method)}`,
    );
  }
  if (method === "screen" && isLinear(starless)) {
    throw new TypeError(
      `recombineStars: only pictures can be screened, but the unit is "${starless.unit}"; add instead`,
    );
  }
  const planes = starless.planes.map(({ channel, data }, c) => {
    const out = allocatePlane(starless.width, starless.height);
    const flux = stars.planes[c].data;
    if (method === "add") { for (let i = 0; i < out.length; i++) out[i] = data[i] + strength * flux[i]; }
    else {
      for (let i = 0; i < out.length; i++) {
        const s = strength * flux[i];
        out[i] = 1 - (1 - data[i]) * (1 - (s > 1 ? 1 : s));
      }
    }
    return { channel, data: out };
  });
  return derive([starless, stars], { planes }, { step: "recombineStars", options: { ...used, method } });
}
