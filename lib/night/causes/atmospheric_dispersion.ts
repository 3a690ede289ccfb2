/** Low in the sky the air draws stars out into short spectra. */
import type { StarMeasures } from "../star_measures.ts";
import type { CauseFinding } from "./cause.ts";
import type { CauseRule } from "./cause_rule.ts";
import { elongationEvidence, elongationOf, elongationStrength } from "./elongated_stars.ts";
import { pixels } from "./evidence.ts";

/** Filters wide enough for air to disperse their light, with the wavelengths they pass, nanometres. */
const broadFilters: Readonly<Record<string, readonly [number, number]>> = Object.freeze({
  L: [400, 690],
  R: [580, 680],
  G: [490, 580],
  B: [410, 510],
});

/** Length of the expected spectrum over that of the trail between which the two agree (own). */
const agreement = [0.5, 2.5] as const;

/**
 * Length of the spectrum that air draws of a star, arcseconds: (n₁ − n₂) tan z with the refractivity of dry air at sea
 * level (Edlén 1966, Metrologia 2, 71); 0 for a narrow filter or an unknown altitude.
 */
function dispersionArcsec(filter: string, airmass: number | null | undefined): number {
  const band = broadFilters[filter];
  if (band === undefined || !(typeof airmass === "number" && airmass > 1)) return 0;
  const index = (nanometres: number) => {
    const k = (1000 / nanometres) ** 2;
    return 1e-8 * (8342.13 + 2406030 / (130 - k) + 15997 / (38.9 - k));
  };
  return (index(band[0]) - index(band[1])) * Math.sqrt(airmass * airmass - 1) * 180 / Math.PI * 3600;
}

/** The spectrum that air draws, pixels; NaN where the scale is not known. A mosaic is measured in green. */
function spectrumPixels({ row: { record } }: StarMeasures): number {
  const filter = record.bayer === null ? record.filter : "G";
  return dispersionArcsec(filter, record.airmass) / (record.arcsecPerPixel ?? NaN);
}

/** Length of the trail: variance along less variance across is that of a line, whose length is √12 times its root. */
const trailPixels = ({ figures, axisRatio }: StarMeasures): number =>
  Math.sqrt(12 * figures.short ** 2 * (axisRatio ** 2 - 1));

/** Whether stars are elongated in one direction by about as much as air alone draws them out. */
export function isDispersion(frame: StarMeasures): boolean {
  if (elongationOf(frame) !== "one direction") return false;
  const spectrum = spectrumPixels(frame);
  const trail = trailPixels(frame);
  return spectrum > agreement[0] * trail && spectrum < agreement[1] * trail;
}

function withStars(frame: StarMeasures): CauseFinding | null {
  if (!isDispersion(frame)) return null;
  const expected = `at airmass ${frame.row.record.airmass?.toFixed(1)} air alone draws stars out by ${
    pixels(spectrumPixels(frame))
  }`;
  return {
    cause: "atmospheric dispersion",
    or: "drift trailing",
    verdict: frame.axisRatio > frame.options.rejectAxisRatio ? "reject" : "down-weight",
    evidence: `${elongationEvidence(frame)}, the same everywhere; ${expected}, seen ${pixels(trailPixels(frame))}`,
    strength: elongationStrength(frame),
  };
}

/** The rule. */
export const atmosphericDispersion: CauseRule = {
  cause: "atmospheric dispersion",
  remedy: "shoot higher in the sky, or through a narrower filter",
  withStars,
};
