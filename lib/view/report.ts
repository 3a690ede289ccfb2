/** What a night's page tells, as plain data. {@linkcode reportHtml} turns it into one self-contained page. */
import type { EncodedPicture, Sheet } from "./sheet.ts";

/** One light, as in `frames.csv`; `null` where a number could not be measured. */
export interface ReportFrame {
  /** Path within the night's folder. */
  readonly file: string;
  /** Camera and telescope. */
  readonly rig: string;
  /** Filter or channel, `""` for none. */
  readonly filter: string;
  /** Exposure, seconds. */
  readonly exposureSeconds: number | null;
  /** Start of the exposure, ISO 8601 UTC without zone. */
  readonly dateUtc: string | null;
  /** Stars found. */
  readonly stars: number | null;
  /** Full width at half maximum, pixels. */
  readonly fwhmPixels: number | null;
  /** The same in arcseconds, when the scale is known. */
  readonly fwhmArcsec: number | null;
  /** 0 round … 1 a line. */
  readonly eccentricity: number | null;
  /** Direction of the long axis, degrees from +x towards +y. */
  readonly elongationDegrees: number | null;
  /** Background level, ADU. */
  readonly backgroundAdu: number | null;
  /** Noise of the background, ADU. */
  readonly noiseAdu: number | null;
  /** Flux of the stars relative to the night's clear frames: 1 is clear. */
  readonly transparency: number | null;
  /** Weight in its stack, mean 1 over the kept frames; 0 when it was left out. */
  readonly weight: number;
  /** `keep`, `down-weight`, `reject` or `unreadable`. */
  readonly verdict: string;
  /** Why, in a few words. */
  readonly cause: string;
  /** The numbers behind the cause. */
  readonly evidence: string;
  /** What to do about it next time. */
  readonly remedy: string;
  /** A small picture of the frame (240 pixels wide is plenty); `null` for none. */
  readonly thumbnail: EncodedPicture | null;
}

/** One calibration file, as in `calibration.csv`. */
export interface ReportCalibration {
  /** Path within the night's folder. */
  readonly file: string;
  /** Kind of frame: dark, flat, bias, … */
  readonly kind: string;
  /** Filter, `""` for none. */
  readonly filter: string;
  /** Exposure, seconds. */
  readonly exposureSeconds: number | null;
  /** Sensor temperature, °C. */
  readonly temperatureC: number | null;
  /** Whether a master holds it. */
  readonly used: boolean;
  /** Why, or why not. */
  readonly reason: string;
}

/** One stack of a run. */
export interface ReportStack {
  /** File name stem: `Ha`, `colour`, `pocket-colour`. */
  readonly name: string;
  /** Frames combined. */
  readonly frames: number;
  /** Their exposures together, seconds. */
  readonly totalExposureSeconds: number;
  /** The frame whose grid the stack has. */
  readonly reference: string;
  /** Share of samples rejected because dimmer than the rest, 0 … 1. */
  readonly rejectedDimmer: number | null;
  /** Share of samples rejected because brighter than the rest, 0 … 1. */
  readonly rejectedBrighter: number | null;
  /** Noise of one typical frame, in the stack's unit. */
  readonly frameNoise: number | null;
  /** Noise that the weights and the number of frames promise. */
  readonly expectedNoise: number | null;
  /** Noise measured in the stack, on the same scale of pixels. */
  readonly measuredNoise: number | null;
  /** Unit of the noises: `ADU`, `e⁻`, `e⁻/s`. */
  readonly unit: string;
  /** FWHM of the stack's stars, pixels. */
  readonly fwhmPixels: number | null;
  /** Sheets to show: the stack, its coverage, its rejections, its half-stack difference … */
  readonly sheets: readonly (Sheet | EncodedPicture)[];
  /** Plain remarks, doubts first. */
  readonly notes: readonly string[];
}

/** One line of the effect ledger. */
export interface ReportLedgerLine {
  /** What was measured: `noise`, `star FWHM`, `nebula light` … */
  readonly quantity: string;
  /** Value before the step, with unit. */
  readonly before: string;
  /** Value after it, with unit. */
  readonly after: string;
  /** The change in words or per cent; `""` for none. */
  readonly change: string;
}

/** One processing step. */
export interface ReportStep {
  /** The library function's name in kebab case. */
  readonly step: string;
  /** What it is for, for a person: `Background gradient extraction`. */
  readonly title: string;
  /** Channel or channel set it worked on. */
  readonly channel: string;
  /** Options used, as name and value. */
  readonly options: readonly (readonly [name: string, value: string])[];
  /** Before and after, with histograms. */
  readonly sheet: Sheet | EncodedPicture | null;
  /** What it did, in numbers. */
  readonly ledger: readonly ReportLedgerLine[];
  /** What a reader should doubt, in sentences. */
  readonly doubts: readonly string[];
}

/** A night's page as plain data. */
export interface NightReport {
  /** Object, for the heading. */
  readonly object: string;
  /** When: `night of 2026-10-03`. */
  readonly night: string;
  /** The main findings in sentences, most important first. */
  readonly summary: readonly string[];
  /** Facts of each rig as label and value: focal length, pixel scale, sensor temperature … */
  readonly rigs: readonly {
    /** The rig. */
    readonly name: string;
    /** Label and value. */
    readonly facts: readonly (readonly [label: string, value: string])[];
  }[];
  /** Lights in order of time. */
  readonly frames: readonly ReportFrame[];
  /** Sheets on the night as a whole, with a heading each: worst frames, shapes over the field. */
  readonly nightSheets?: readonly {
    /** Heading; sheets of one heading stand side by side. */
    readonly title: string;
    /** The sheet. */
    readonly sheet: Sheet | EncodedPicture;
  }[];
  /** Calibration files. */
  readonly calibration: readonly ReportCalibration[];
  /** Remarks on the calibration set as a whole. */
  readonly calibrationNotes: readonly string[];
  /** Stacks. */
  readonly stacks: readonly ReportStack[];
  /** Steps in the order they were carried out. */
  readonly steps: readonly ReportStep[];
  /** The finished picture; `null` when the run stopped before it. */
  readonly picture: EncodedPicture | null;
  /** What the output folder holds: file and meaning. */
  readonly files: readonly (readonly [file: string, meaning: string])[];
  /** Name and version of the library, digest of the recipe. */
  readonly madeWith: string;
}
