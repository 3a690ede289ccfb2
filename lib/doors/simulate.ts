/**
 * Frames, nights and scenes with known truth. Nothing is defined here.
 * @module
 */

// simulate
import "../host/deno.ts";

export {
  type CalibrationFault,
  type CalibrationFaultName,
  knownCalibrationFaults,
} from "../simulate/calibration_faults.ts";
export { type Fault, type FaultName, type FaultSettings, knownFaults } from "../simulate/faults.ts";
export { type FrameConditions, type Obstacle, site, type SkyLight, type Streak } from "../simulate/frame_conditions.ts";
export { type ExposureFacts, frameHeader } from "../simulate/frame_header.ts";
export { dustOf, type DustShadow, type IlluminationOptions } from "../simulate/illumination.ts";
export { type LanternNebula, lanternNebula, type LanternNebulaOptions } from "../simulate/lantern_nebula.ts";
export { lanternScene, lanternSceneFor, type LanternSceneOptions } from "../simulate/lantern_scene.ts";
export {
  blackBodyWidth,
  effectiveWidthAngstrom,
  magnitudeRate,
  type Passband,
  rayleighPhotons,
  shapePassband,
  temperatureOfColour,
  throughputAt,
  zeroMagnitudePhotons,
} from "../simulate/photometry.ts";
export { planckPhotons } from "../sky/black_body.ts";
export {
  type FileFault,
  longNight,
  type NightFault,
  type PlannedCalibration,
  type PlannedLight,
  planSimulation,
  type PlanSimulationOptions,
  pocketNight,
  type SimulationPlan,
} from "../simulate/plan_simulation.ts";
export {
  moffatAlphaPerFwhm,
  type MotionStep,
  type PsfShape,
  renderStars,
  type RenderStarsOptions,
  type StarCanvas,
  type StarImage,
} from "../simulate/render_stars.ts";
export {
  addFilter,
  arcsecPerPixelOf,
  collectingAreaSquareCm,
  type Detector,
  longRig,
  passbandOf,
  pocketRig,
  resizeRig,
  type Rig,
} from "../simulate/rig.ts";
export { type Scene, type SceneGlow, starScene, type StarSceneOptions } from "../simulate/scene.ts";
export {
  darkCurrentLaw,
  type Exposure,
  fullScaleOf,
  readOut,
  type SensorMaps,
  sensorMaps,
} from "../simulate/sensor.ts";
export {
  type CalibrationTruth,
  simulateCalibration,
  type SimulateCalibrationOptions,
  type SimulatedCalibration,
} from "../simulate/simulate_calibration.ts";
export { type SimulatedFrame, simulateFrame } from "../simulate/simulate_frame.ts";
export {
  type CalibrationFileTruth,
  type LightTruth,
  type NightTruth,
  simulateNight,
  type SimulateNightOptions,
  type StarTruth,
  truthTransform,
} from "../simulate/simulate_night.ts";
export { type SceneStar, starField, type StarFieldOptions } from "../simulate/star_field.ts";
export { type Field, gradientNoise } from "../simulate/turbulence.ts";
