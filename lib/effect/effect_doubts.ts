/** What a step may have spoiled, in plain words: the rules of `measureEffect`'s table. */
import type { Purpose } from "./purpose.ts";
import type { Holes } from "./find_holes.ts";
import type { EffectSide } from "./measure_side.ts";
import type { ChannelFlux, NebulaFlux } from "./nebula_flux.ts";

/** Everything that was measured of a step. A comparison with NaN is false: what was not measured raises no doubt. */
export interface EffectFindings {
  /** The image before. */
  readonly before: EffectSide;
  /** The image after. */
  readonly after: EffectSide;
  /** Whether both are linear. */
  readonly linear: boolean;
  /** Whether both are pictures. */
  readonly pictures: boolean;
  /** What the step is meant to change. */
  readonly purpose: Purpose;
  /** Flux of the stars after over before. */
  readonly starFlux: number;
  /** The nebula in all channels together. */
  readonly nebula: NebulaFlux;
  /** The same for each channel that shows it. */
  readonly channels: readonly ChannelFlux[];
  /** Dark holes beside stars. */
  readonly holes: Holes;
  /** Turn of the nebula's hue. */
  readonly hueDegrees: number;
  /** Largest change of a channel's share in the nebula's flux. */
  readonly colourFactor: number;
}

/** Share of a picture's samples at one end, the largest over the channels; 0 of linear data. */
export const worstClipping = (side: EffectSide, end: "atBlack" | "atWhite"): number =>
  Math.max(0, ...side.clipped.map((s) => s[end]));

const percent = (share: number): string =>
  `${share < 0.995 ? (100 * share).toPrecision(2) : Math.round(100 * share)} %`;

function clippingDoubts({ before, after }: EffectFindings): string[] {
  const doubts: string[] = [];
  const black = worstClipping(after, "atBlack");
  const white = worstClipping(after, "atWhite");
  if (black > 0.005 && black > worstClipping(before, "atBlack") + 0.002) {
    doubts.push(`${percent(black)} of the pixels were clipped to black`);
  }
  if (white > 0.002 && white > worstClipping(before, "atWhite") + 0.001) {
    doubts.push(`${percent(white)} of the pixels were clipped to white`);
  }
  return doubts;
}

/** A gain changes stars and nebula of a channel alike; a step on stars alone leaves the nebula as it is. */
function nebulaDoubts({ nebula, channels }: EffectFindings): string[] {
  const enough = Math.max(0.02, 2 * nebula.error);
  const moved = channels.filter((each) =>
    Math.abs(each.nebula - 1) > enough && !(Math.abs(each.besideStars - 1) <= enough)
  ).reduce<ChannelFlux | null>(
    (most, each) => most === null || Math.abs(each.nebula - 1) > Math.abs(most.nebula - 1) ? each : most,
    null,
  );
  if (moved === null) return [];
  const way = moved.nebula < 1 ? "fell" : "rose";
  const where = channels.length > 1 ? ` in ${moved.channel}` : "";
  return [`the flux of the nebula ${way} by ${percent(Math.abs(moved.nebula - 1))}${where}`];
}

/** Dark rings, and dark holes where it is not dark all round. */
function darknessDoubts({ before, after, holes }: EffectFindings): string[] {
  if (after.ringSigma >= 1 && after.ringSigma > 2 * Math.max(0.25, before.ringSigma)) {
    return [`stars gained dark rings, ${after.ringSigma.toFixed(1)} standard deviations deep`];
  }
  if (!(holes.count > 0)) return [];
  const what = holes.count === 1
    ? "there is a dark hole beside a star, "
    : `there are ${holes.count} dark holes beside stars, the deepest `;
  return [`${what}${holes.deepest.toFixed(1)} standard deviations deep, at (${holes.x}, ${holes.y})`];
}

function starDoubts({ before, after, linear, purpose }: EffectFindings): string[] {
  if (!linear || purpose.changesStars) return [];
  const doubts: string[] = [];
  const [was, is] = [before.fwhmPixels, after.fwhmPixels];
  if (after.stars >= 5 && is > 1.1 * was) {
    doubts.push(`stars grew by ${percent(is / was - 1)}, from ${was.toFixed(2)} to ${is.toFixed(2)} pixels`);
  }
  if (before.stars >= 20 && after.stars < 0.7 * before.stars) {
    doubts.push(`of ${before.stars} stars only ${after.stars} are left`);
  }
  return doubts;
}

/** The sky less even, its grain gone, or its noise risen. */
function skyDoubts({ before, after, linear, pictures, purpose, starFlux }: EffectFindings): string[] {
  const doubts: string[] = [];
  const gain = starFlux > 0.2 && !purpose.changesStars ? starFlux : 1;
  const fine = before.noiseByScale[0].sigma;
  const rangeAfter = after.unevenness / gain;
  if (linear && rangeAfter > 1.33 * before.unevenness && rangeAfter - before.unevenness > 0.3 * fine) {
    const [was, is] = [before.unevenness.toPrecision(3), after.unevenness.toPrecision(3)];
    doubts.push(`the sky became less even: its range rose from ${was} to ${is}`);
  }
  if ((linear || pictures) && fine > 0 && after.noiseByScale[0].sigma < 0.1 * fine) {
    doubts.push(
      `only ${percent(after.noiseByScale[0].sigma / fine)} of the finest grain is left: surfaces may look like wax`,
    );
  }
  if (linear && !purpose.changesStars && starFlux > 0) {
    const rises = after.noiseByScale.map(({ sigma }, j) => sigma / before.noiseByScale[j].sigma / starFlux - 1);
    const rise = Math.max(...rises);
    if (rise > 0.2) doubts.push(`noise rose by ${percent(rise)} against the flux of the stars`);
  }
  return doubts;
}

function colourDoubts({ purpose, hueDegrees, colourFactor }: EffectFindings): string[] {
  if (purpose.changesColour) return [];
  const doubts: string[] = [];
  if (Math.abs(hueDegrees) > 5) {
    doubts.push(`the hue of the nebula turned by ${Math.abs(hueDegrees).toFixed(0)}°`);
  }
  if (Math.abs(colourFactor - 1) > 0.03) {
    const change = percent(Math.abs(colourFactor - 1));
    doubts.push(`the colour of the nebula shifted: a channel's share changed by ${change}`);
  }
  return doubts;
}

/** What a reader should doubt; empty when nothing stands out. */
export function effectDoubts(found: EffectFindings): string[] {
  const lost = found.after.missing - found.before.missing;
  return [
    ...clippingDoubts(found),
    ...nebulaDoubts(found),
    ...darknessDoubts(found),
    ...starDoubts(found),
    ...skyDoubts(found),
    ...colourDoubts(found),
    ...(found.after.missing > found.before.missing + 1e-9 ? [`${percent(lost)} of the samples lost their data`] : []),
  ];
}
