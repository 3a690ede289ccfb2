/** Ways in which a calibration frame can be wrong, each available singly. */
import type { SimulateCalibrationOptions } from "./simulate_calibration.ts";

/** Names of the faults of calibration frames. */
export type CalibrationFaultName =
  | "wrong-filter-flat"
  | "over-exposed-flat"
  | "under-exposed-flat"
  | "moved-dust"
  | "light-leak-dark"
  | "warm-dark"
  | "short-dark";

/** A fault of a calibration frame. */
export interface CalibrationFault {
  /** What is wrong, for a person. */
  readonly description: string;
  /** Kind of frame it strikes. */
  readonly kind: "dark" | "flat";
  /** Options of {@linkcode simulateCalibration} that make it, for a frame of the Long or Pocket rig. */
  readonly options: Partial<SimulateCalibrationOptions>;
  /** Whether the header gives it away; else only the pixels do. */
  readonly stated: boolean;
}

/**
 * Every fault of a calibration frame. Add the options to those of a good frame.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { knownCalibrationFaults, longRig, resizeRig, simulateCalibration } from "faintlight/simulate";
 *
 * const rig = resizeRig(longRig, { width: 20, height: 16 });
 * const { truth } = simulateCalibration(rig, { kind: "dark", ...knownCalibrationFaults["warm-dark"].options });
 * assert.equal(truth.temperatureC, -2.5);
 * ```
 */
export const knownCalibrationFaults: { readonly [Name in CalibrationFaultName]: CalibrationFault } = Object.freeze({
  "wrong-filter-flat": {
    description: "a flat through another filter than its header says: its dust is not that of the lights",
    kind: "flat",
    options: { trueFilter: "SII" },
    stated: false,
  },
  "over-exposed-flat": {
    description: "a flat that fills the sensor",
    kind: "flat",
    options: { level: 1.6 },
    stated: false,
  },
  "under-exposed-flat": {
    description: "a flat too faint to divide by",
    kind: "flat",
    options: { level: 0.03 },
    stated: false,
  },
  "moved-dust": {
    description: "a flat from before the dust moved",
    kind: "flat",
    options: { dustMoved: true },
    stated: false,
  },
  "light-leak-dark": {
    description: "a dark with light creeping in from one side",
    kind: "dark",
    options: { leakRate: 0.35 },
    stated: false,
  },
  "warm-dark": {
    description: "a dark taken before the cooler was down",
    kind: "dark",
    options: { temperatureC: -2.5 },
    stated: true,
  },
  "short-dark": {
    description: "a dark of another exposure than the lights",
    kind: "dark",
    options: { exposureSeconds: 120 },
    stated: true,
  },
});
