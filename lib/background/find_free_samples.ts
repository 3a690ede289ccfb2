/** Which samples of one channel show free sky, and whether what they show is a sky at all. */
import { median } from "../stats/median.ts";
import { findSky, type LowSky } from "./find_sky.ts";
import type { LowShape } from "./low_surface_fitter.ts";
import { roughness } from "./roughness.ts";
import type { BackgroundSample } from "./sample_background.ts";
import { ramp } from "./score_surfaces.ts";
import type { SampledField, SampleValue } from "./sample_background.ts";
import { type SurfaceModel, surfaceModelAt } from "./surface_model.ts";

/** Samples of one channel. */
export interface ChannelSamples {
  /** Where they lie. */
  readonly field: SampledField;
  /** Samples that may show sky. */
  readonly candidates: readonly number[];
  /** Level of a sample. */
  readonly value: SampleValue;
  /** Typical standard error of a level. */
  readonly error: number;
}

/** What is known of a sky: a surface, and the spread of the free samples about it. */
export interface KnownSky {
  /** The surface. */
  readonly model: SurfaceModel;
  /** Standard deviation of the free samples about it. */
  readonly scale: number;
}

/** What {@linkcode findFreeSamples} found. */
export interface FreeSamples {
  /** The samples that show free sky. */
  readonly free: ReadonlySet<number>;
  /** Standard deviation of the free samples about the surface. */
  readonly scale: number;
  /** Share of the candidates that are no object, 0 … 1. */
  readonly share: number;
  /** The low surfaces, best first; none when a sky was known. */
  readonly lowSkies: readonly LowSky[];
  /** How clearly the samples taken for sky show the structure of a nebula, 0 (not) … 1; 0 when a sky was known. */
  readonly structure: number;
}

/**
 * Samples taken for sky that scatter about its best surface by more than these times their own error, and about a
 * plane through their neighbours by more than those, are no free sky but the structure of a nebula: from the first
 * number on some of what bends more than a plane is held back, from the second all. On 21 scenes of ours filled fields
 * gave 6.6 … 35 and 2.4 … 9.4, skies of any shape 1.9 … 4.9 and 1.5 … 2.1.
 */
const structureScatter = [5, 6.5] as const;
/** See {@linkcode structureScatter}. */
const structureRoughness = [2.05, 2.4] as const;
/**
 * Rings of samples about objects are left out while at least this share of the candidates remains: the second ring
 * only where plenty remains.
 */
const minimumShareBeyondRings = [0.2, 0.25] as const;

/** Distance of the samples that were laid out, pixels. */
function pitchOf(samples: readonly BackgroundSample[]): number {
  const laidOut = samples.filter((s) => !s.byHand);
  return laidOut.length < 2 ? Infinity : Math.max(1, Math.abs(laidOut[1].x - laidOut[0].x));
}

/** Take the rim of objects out of the free samples: their flux has not ended where it is no longer seen. */
function dropRims(
  free: Set<number>,
  { field: { samples }, candidates }: ChannelSamples,
  pitch: number,
  isRaised: (i: number) => boolean,
): void {
  for (const minimumShare of minimumShareBeyondRings) {
    const rim = [...free].filter((i) => {
      let objects = 0;
      for (const j of candidates) {
        const dx = Math.abs(samples[j].x - samples[i].x);
        const dy = Math.abs(samples[j].y - samples[i].y);
        if (j !== i && dx < 1.5 * pitch && dy < 1.5 * pitch && !free.has(j)) objects++;
      }
      return objects >= 2;
    });
    const enough = free.size - rim.length >= minimumShare * candidates.length;
    for (const i of enough ? rim : rim.filter(isRaised)) free.delete(i);
    if (!enough) break;
  }
}

/**
 * Find the samples that show free sky, against a known sky or against the best of the low surfaces.
 *
 * @param limit standard deviations above the surface from which a sample is an object's
 * @param known a sky found before; null to look for the lowest smooth population
 * @param shapes kinds of polynomial that are tried when no sky is known
 */
export function findFreeSamples(
  channel: ChannelSamples,
  limit: number,
  known: KnownSky | null,
  shapes: readonly LowShape[],
): FreeSamples {
  const { field, candidates, value, error } = channel;
  const { samples } = field;
  const pitch = pitchOf(samples);
  const list = candidates.map((i) => samples[i]);
  const lowSkies = known === null
    ? findSky({ field: { ...field, samples: list }, value, error, pitch }, limit, shapes)
    : [];
  const levels = known === null
    ? lowSkies[0]?.levels ?? list.map(() => median(list.map(value)))
    : list.map((s) => surfaceModelAt(known.model, s.x, s.y));
  const scale = known === null ? lowSkies[0]?.scale ?? error : known.scale;

  const residuals = new Map(candidates.map((i, k) => [i, value(samples[i]) - levels[k]]));
  const residualOf = (i: number): number => residuals.get(i) as number;
  const isSky = (i: number): boolean => residualOf(i) <= limit * scale;
  const free = new Set(candidates.filter(isSky));
  const share = free.size / candidates.length;
  dropRims(free, channel, pitch, (i) => residualOf(i) > 0.5 * scale);
  if (known !== null) return { free, scale, share, lowSkies, structure: 0 };

  const sky = candidates.filter(isSky);
  const rough = roughness(sky.map((i) => samples[i]), pitch, (s) => residualOf(samples.indexOf(s)), error)
    .filter((v) => v === v);
  const structure = rough.length < 6
    ? 0
    : Math.min(ramp(scale / error, ...structureScatter), ramp(median(rough), ...structureRoughness));
  return { free, scale, share, lowSkies, structure };
}
