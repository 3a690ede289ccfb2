/** Masters that a person uses in place of those the folder holds: read, checked, ready for a calibrator. */
import { combineBias } from "../calibrate/combine_bias.ts";
import { combineDark } from "../calibrate/combine_dark.ts";
import { combineFlat } from "../calibrate/combine_flat.ts";
import { sha256Hex } from "../core/host.ts";
import { type Image, requireLinear } from "../core/image.ts";
import type { Mask } from "../core/mask.ts";
import { digestOf } from "../io/checkpoints.ts";
import { describeFrame } from "../io/describe_frame.ts";
import { digestFile } from "../io/digest_files.ts";
import { type FrameSource, pathOrImage } from "../io/pixel_source.ts";
import { readFits } from "../io/read_fits.ts";
import type { CalibrationMatch } from "../night/calibration_plan.ts";
import { imageDigest } from "./image_digest.ts";
import type { GivenMaster, GivenMasters } from "./master_maker.ts";

/** A master that is ready (image, path, frame record), or frames to combine to one. */
export type MasterSource = FrameSource | readonly FrameSource[];

/** Masters to use in place of matched ones: null leaves one away, what is left out stays as it is. */
export interface MastersToUse {
  /** Bias. */
  readonly bias?: MasterSource | null;
  /** Dark with the bias in it, of the lights' exposure and temperature. */
  readonly dark?: MasterSource | null;
  /** Flat; of single frames the match's flat-dark is taken off first. */
  readonly flat?: MasterSource | null;
  /** Defective pixels: a mask in which any bit counts. */
  readonly defects?: Mask | null;
}

type Kind = "bias" | "dark" | "flat";

const isList = (source: MasterSource): source is readonly FrameSource[] => Array.isArray(source);

function identityOf(source: FrameSource): string {
  const frame = pathOrImage(source);
  return typeof frame === "string" ? digestFile(frame) : imageDigest(frame);
}

/** Refuse what cannot calibrate these lights: a finished picture, another sensor's size, a frame of another kind. */
function checked(step: string, kind: Kind, image: Image, match: CalibrationMatch): Image {
  const { width, height, name } = match.group;
  requireLinear(step, image);
  if (image.width !== width || image.height !== height) {
    throw new RangeError(
      `${step}: ${kind} must have ${width} × ${height} pixels like the lights of ${name}, but got ${image.width} ` +
        `× ${image.height}; use one of the same sensor and binning`,
    );
  }
  if (image.planes.length !== 1) {
    throw new RangeError(`${step}: ${kind} must have one plane, but got ${image.planes.length}; use raw frames`);
  }
  const said = describeFrame(image.header).kind.replace("master-", "");
  const fits = said === "unknown" || said === kind || (kind === "dark" && said === "flat-dark");
  if (!fits) throw new RangeError(`${step}: ${kind} must be a ${kind}, but its header says ${said}; use another file`);
  return image;
}

function combined(kind: Kind, frames: readonly FrameSource[], flatDark: Image | null): Image {
  if (kind === "flat") return combineFlat(frames, { dark: flatDark });
  return (kind === "bias" ? combineBias : combineDark)(frames);
}

function givenMaster(step: string, kind: Kind, source: MasterSource, match: CalibrationMatch): GivenMaster {
  if (isList(source)) {
    return {
      identity: digestOf([kind, "combined", ...source.map(identityOf)]),
      read: ({ flatDark }) => checked(step, kind, combined(kind, source, flatDark), match),
    };
  }
  const frame = pathOrImage(source);
  const image = checked(step, kind, typeof frame === "string" ? readFits(frame) : frame, match);
  return { identity: digestOf([kind, imageDigest(image)]), read: () => image };
}

function givenDefects(step: string, mask: Mask, match: CalibrationMatch): GivenMaster<Mask> {
  const { width, height } = match.group;
  if (!(mask instanceof Uint8Array) || mask.length !== width * height) {
    throw new RangeError(
      `${step}: defects must be a mask of ${width} × ${height} bytes, but got ${
        mask instanceof Uint8Array ? mask.length : typeof mask
      }; make it with findDefects`,
    );
  }
  return { identity: sha256Hex("defects", mask), read: () => mask };
}

/**
 * Masters as a calibrator takes them.
 *
 * @throws {RangeError} if one cannot calibrate the lights of the match
 * @throws {TypeError} if one is a finished picture, or there is no such master
 */
export function givenMasters(step: string, masters: MastersToUse, match: CalibrationMatch): GivenMasters {
  const unknown = Object.keys(masters).find((name) => !["bias", "dark", "flat", "defects"].includes(name));
  if (unknown !== undefined) {
    throw new TypeError(`${step}: masters must be named bias, dark, flat or defects, but got "${unknown}"`);
  }
  const given = (kind: Kind) => {
    const source = masters[kind];
    return source === undefined || source === null ? source : givenMaster(step, kind, source, match);
  };
  const { defects } = masters;
  return {
    bias: given("bias"),
    dark: given("dark"),
    flat: given("flat"),
    defects: defects === undefined || defects === null ? defects : givenDefects(step, defects, match),
  };
}
