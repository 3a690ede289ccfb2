/** The electrons of one frame without noise: a scene through a rig at a moment, with the truth about it. */
import { canonicalJson, settle } from "../core/options.ts";
import { randomStream } from "../core/random.ts";
import { expPortable, powPortable } from "../kernels/elementary.ts";
import { combineMotion, dispersed, effectiveShape, mountRotation } from "./exposure_motion.ts";
import { faultConditions } from "./fault_conditions.ts";
import { type FaultName, type FaultSettings, knownFaults } from "./faults.ts";
import { dimByCloud, drawStreak, hideBehind } from "./foreground.ts";
import { type FrameConditions, frameConditionsDefaults } from "./frame_conditions.ts";
import { type FramePointing, framePointing } from "./frame_pointing.ts";
import type { FrameTruth } from "./frame_truth.ts";
import { illumination } from "./illumination.ts";
import type { ImagedField } from "./imaged_field.ts";
import { bandsOf, imageScene, mosaicOf, paddingFor, psfOf } from "./image_scene.ts";
import { arcsecPerPixelOf, type Rig } from "./rig.ts";
import type { Scene } from "./scene.ts";
import { addSky, cornerDistance, type SkyComponent, skyComponents, skyLevel } from "./sky_background.ts";

/** What else can be asked of {@linkcode expectedSignal} and {@linkcode simulateFrame}. */
export interface SimulateFrameOptions extends Partial<FrameConditions> {
  /** A fault by name. */
  readonly fault?: FaultName;
  /** Settings of the fault, over its defaults. */
  readonly faultSettings?: FaultSettings;
}

/** Electrons expected without noise, and what the truth says of them. */
export interface ExpectedSignal {
  /** Expected photo-electrons a pixel, vignetting and dust included, before the pixels' own response. */
  readonly electrons: Float32Array;
  /** The truth. */
  readonly truth: FrameTruth;
}

/** Transmission of clear air, share. */
const clearTransmission = (now: FrameConditions, air: number): number => powPortable(10, -0.4 * now.extinction * air);

/** The scene as this frame sees it. */
function imagedField(rig: Rig, scene: Scene, now: FrameConditions, pointing: FramePointing): ImagedField {
  const { air, altitudeDegrees, upDegrees, zenithDegrees, turnDegrees, skyMatrix } = pointing;
  const scale = arcsecPerPixelOf(rig);
  // the zenith stands at position angle q, and the frame's top edge at `up`
  const towardsZenith = 270 + upDegrees - zenithDegrees;
  const spectrum = dispersed(bandsOf(rig, now.filter), now.dispersion, altitudeDegrees, scale, towardsZenith);
  return {
    rig,
    scene,
    now,
    skyMatrix,
    motion: combineMotion(combineMotion(mountRotation(rig, turnDegrees), now.motion), spectrum),
    // width of a star grows as airmass to the power 0.6 in Kolmogorov turbulence
    fwhmPixels: (now.fwhmArcsec ?? rig.fwhmArcsec * powPortable(Math.max(1, air), 0.6)) / scale,
    clearSeconds: clearTransmission(now, air) * now.exposureSeconds,
    padding: paddingFor(now.defocusPixels),
  };
}

/**
 * The electrons of a frame without any noise or sensor: what {@linkcode simulateFrame} exposes the sensor to.
 *
 * @param rig telescope and camera
 * @param scene piece of sky
 * @param options conditions and fault
 */
export function expectedSignal(rig: Rig, scene: Scene, options: SimulateFrameOptions = {}): ExpectedSignal {
  const { fault = "none", faultSettings = {}, ...given } = options;
  const clear = settle("simulateFrame", frameConditionsDefaults, given);
  const settings = { ...knownFaults[fault].settings, ...faultSettings };
  const random = randomStream(`frame ${clear.seed}`);
  const now: FrameConditions = faultConditions(rig, clear, { name: fault, settings }, random.fork("fault"));
  const { width, height } = rig;
  const mosaic = mosaicOf(rig);
  const pointing = framePointing(rig, scene, now);
  const field = imagedField(rig, scene, now, pointing);
  const skies = skyComponents(rig, bandsOf(rig, now.filter), now, pointing);

  const electrons = now.shutterOpen ? imageScene(field) : new Float32Array(width * height);
  if (now.shutterOpen) {
    const frame = { data: electrons, width, height };
    if (now.opacity > 0) dimByCloud(electrons, rig, now, random.fork("cloud"));
    addSky(frame, skies, mosaic);
    for (const streak of now.streaks) drawStreak(frame, streak, field.fwhmPixels, rig.beta);
    if (now.obstacle !== null) hideBehind(electrons, rig, now.obstacle);
    const map = illumination(rig, { filter: mosaic.length === 0 ? now.filter : "colour", dustMoved: false });
    for (let i = 0; i < electrons.length; i++) electrons[i] *= map[i];
  }
  const { cause, keep } = knownFaults[fault];
  const blame = { fault, faultSettings: JSON.parse(canonicalJson(settings)), cause, keep };
  return { electrons, truth: { ...frameTruth(field, pointing, skies), ...blame } };
}

/** What is true of a frame, its fault apart. */
function frameTruth(
  field: ImagedField,
  pointing: FramePointing,
  skies: readonly (readonly SkyComponent[])[],
): Omit<FrameTruth, "fault" | "faultSettings" | "cause" | "keep"> {
  const { rig, now, fwhmPixels } = field;
  const { altitudeDegrees, air } = pointing;
  const shape = effectiveShape(psfOf(field), now.defocusPixels, rig.obstruction);
  const open = now.shutterOpen ? 1 : 0;
  const total = skyLevel(skies[0]);
  const corner = cornerDistance(rig);
  const slope = (axis: "x" | "y") =>
    open * skies[0].reduce((sum, each) => sum + each.rate * each.slope * each[axis] * corner, 0) / total;
  return {
    filter: rig.bayer === null ? now.filter : "colour",
    exposureSeconds: now.exposureSeconds,
    dateUtc: now.dateUtc,
    skyMatrix: pointing.skyMatrix,
    arcsecPerPixel: arcsecPerPixelOf(rig),
    altitudeDegrees,
    transparency: now.shutterOpen ? clearTransmission(now, air) * expPortable(-now.opacity) : 0,
    fwhmPixels,
    effectiveFwhmPixels: shape.fwhm,
    eccentricity: shape.eccentricity,
    elongationDegrees: shape.degrees,
    backgroundElectrons: skies.map((sky) => open * skyLevel(sky)),
    backgroundSlope: [slope("x"), slope("y")],
    darkElectrons: 0,
  };
}
