/** The rules of the night report, one for each cause, in the order they are asked. */
import { atmosphericDispersion } from "./atmospheric_dispersion.ts";
import type { Cause } from "./cause.ts";
import type { CauseRule } from "./cause_rule.ts";
import { cloud } from "./cloud.ts";
import { corruptFile } from "./corrupt_file.ts";
import { curvedField } from "./curved_field.ts";
import { defocus } from "./defocus.ts";
import { dewOrHaze } from "./dew_or_haze.ts";
import { driftTrailing } from "./drift_trailing.ts";
import { duplicate } from "./duplicate.ts";
import { fieldRotation } from "./field_rotation.ts";
import { focusDrift } from "./focus_drift.ts";
import { guidingJump } from "./guiding_jump.ts";
import { lensCapOrShutterClosed } from "./lens_cap_or_shutter_closed.ts";
import { lowAltitude } from "./low_altitude.ts";
import { moonlight } from "./moonlight.ts";
import { offTarget } from "./off_target.ts";
import { overexposed } from "./overexposed.ts";
import { poorSeeing } from "./poor_seeing.ts";
import { satelliteOrAircraft } from "./satellite_or_aircraft.ts";
import { somethingInTheWay } from "./something_in_the_way.ts";
import { tilt } from "./tilt.ts";
import { twilight } from "./twilight.ts";
import { windShake } from "./wind_shake.ts";
import { wrongCalibration } from "./wrong_calibration.ts";

/**
 * The rules in order: the file, the place, the sky and the flux, the shape of the stars, what crosses. Where findings
 * are equally grave the earlier rule stands first.
 */
export const causeRules: readonly CauseRule[] = Object.freeze([
  duplicate,
  corruptFile,
  wrongCalibration,
  offTarget,
  overexposed,
  somethingInTheWay,
  lensCapOrShutterClosed,
  cloud,
  dewOrHaze,
  twilight,
  moonlight,
  guidingJump,
  fieldRotation,
  atmosphericDispersion,
  windShake,
  driftTrailing,
  defocus,
  focusDrift,
  lowAltitude,
  poorSeeing,
  tilt,
  curvedField,
  satelliteOrAircraft,
]);

/** What helps against each cause. */
export const remedies: { readonly [Name in Cause]: string } = Object.freeze({
  "clear sky": "",
  "cloud": cloud.remedy,
  "dew or haze": dewOrHaze.remedy,
  "defocus": defocus.remedy,
  "focus drift": focusDrift.remedy,
  "low altitude": lowAltitude.remedy,
  "poor seeing": poorSeeing.remedy,
  "drift trailing": driftTrailing.remedy,
  "field rotation": fieldRotation.remedy,
  "guiding jump": guidingJump.remedy,
  "wind shake": windShake.remedy,
  "atmospheric dispersion": atmosphericDispersion.remedy,
  "tilt": tilt.remedy,
  "curved field": curvedField.remedy,
  "lens cap or shutter closed": lensCapOrShutterClosed.remedy,
  "twilight": twilight.remedy,
  "moonlight": moonlight.remedy,
  "satellite or aircraft": satelliteOrAircraft.remedy,
  "off target": offTarget.remedy,
  "something in the way": somethingInTheWay.remedy,
  "overexposed": overexposed.remedy,
  "corrupt file": corruptFile.remedy,
  "duplicate": duplicate.remedy,
  "wrong calibration": wrongCalibration.remedy,
});
