/** Flats judged by their level and by their maps. */
import { medianErrorFactor } from "../stats/median_error.ts";
import type { AuditCalibrationOptions } from "./audit_calibration_options.ts";
import { type AuditInput, type CalibrationFinding, findingOn, percent, tenth } from "./calibration_finding.ts";
import { mapDeviation, normalisedMap } from "./calibration_sets.ts";

/** A set of flats with what is known of its rig and of the other sets. */
export interface FlatSet {
  /** Its frames. */
  readonly set: readonly AuditInput[];
  /** Level without light. */
  readonly offset: number;
  /** Full scale of the rig; null where no frame reaches it. */
  readonly ceiling: number | null;
  /** Normalised median map. */
  readonly map: readonly number[];
}

/** Share of saturated samples from which on a flat is over-exposed: beyond hot pixels (own choice). */
const maximumSaturatedShare = 0.001;

/** Errors of a cell that a deviation must exceed. */
const minimumDeviationErrors = 6;

/** A flat is another filter's when it lies this much closer to that filter's map (own choice). */
const otherFilterShare = 0.6;

/** Frames of a set from which on one can be compared with the others. */
const minimumCompared = 3;

/** Too bright, or too faint; null when the level is right. */
function auditLevel(input: AuditInput, flats: FlatSet, options: AuditCalibrationOptions): CalibrationFinding | null {
  const { quality, record } = input;
  const { offset, ceiling } = flats;
  const full = ceiling ?? record.fullScaleAdu;
  const share = full === null ? NaN : quality.level / full;
  if (quality.saturatedShare > maximumSaturatedShare || share > options.maximumFlatLevel) {
    const ofFull = full === null ? "" : ` is ${percent(share)} of full scale`;
    const saturated = `${percent(quality.saturatedShare, 1)} of the samples saturated`;
    return findingOn(input, {
      problem: "over-exposed flat",
      severity: "refuse",
      evidence: `level ${tenth(quality.level)} ADU${ofFull}, ${saturated}`,
      remedy: "shorten the exposure to half of full scale",
    });
  }
  const signal = quality.level - offset;
  const signalShare = full === null ? NaN : signal / full;
  // A file's format is no more than an upper bound of full scale: then the grain decides.
  const grain = quality.noise / signal;
  const faint = signalShare < options.minimumFlatLevel && (ceiling !== null || !(grain < options.maximumGrain));
  return !faint ? null : findingOn(input, {
    problem: "under-exposed flat",
    severity: "refuse",
    evidence: `light of ${tenth(signal)} ADU is ${percent(signalShare, 1)} of full scale`,
    remedy: "expose flats to half of full scale",
  });
}

/** The filter whose flats a map resembles far more than those of its own set; null where there is none. */
function likelierFilter(
  { record }: AuditInput,
  map: readonly number[],
  deviation: number,
  others: readonly FlatSet[],
): { readonly filter: string; readonly deviation: number } | null {
  let best = { filter: "", deviation };
  for (const other of others) {
    const [first] = other.set;
    if (other.map.length !== map.length || first.record.rig !== record.rig) continue;
    const there = mapDeviation(map, other.map);
    if (there < otherFilterShare * best.deviation) best = { filter: first.record.filter, deviation: there };
  }
  return best.filter === "" ? null : best;
}

/** Another filter's, or with other dust than the rest of the set; null when the map is that of the set. */
function auditMap(
  input: AuditInput,
  flats: FlatSet,
  others: readonly FlatSet[],
  options: AuditCalibrationOptions,
): CalibrationFinding | null {
  if (flats.set.length < minimumCompared) return null;
  const { quality, record } = input;
  const map = normalisedMap(quality, flats.offset);
  const noise = medianErrorFactor * quality.noise / (quality.cellPixels * (quality.level - flats.offset));
  const deviation = mapDeviation(map, flats.map);
  // a map without a level, as of a flat with no light above its offset, cannot be compared: the level is told instead
  if (!(deviation >= Math.max(options.flatDeviation, minimumDeviationErrors * noise))) return null;
  const other = likelierFilter(input, map, deviation, others);
  if (other === null) {
    return findingOn(input, {
      problem: "dust moved",
      severity: "refuse",
      evidence: `differs by ${percent(deviation, 1)} from the other flats of its set (noise ${percent(noise, 2)})`,
      remedy: "take flats without touching the camera, after the lights and before taking it down",
    });
  }
  const theirs = `${percent(other.deviation, 1)} from those of ${other.filter}`;
  return findingOn(input, {
    problem: "wrong filter",
    severity: "refuse",
    evidence: `differs by ${percent(deviation, 1)} from the other ${record.filter} flats and by ${theirs}`,
    remedy: `it was taken through ${other.filter}: correct its header or leave it out`,
  });
}

/**
 * Judge the flats of a set.
 *
 * @param others the other sets of flats of the night
 */
export function auditFlats(
  flats: FlatSet,
  others: readonly FlatSet[],
  options: AuditCalibrationOptions,
): CalibrationFinding[] {
  return flats.set.flatMap((input) =>
    auditLevel(input, flats, options) ?? auditMap(input, flats, others, options) ?? []
  );
}
