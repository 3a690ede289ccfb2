/** A scene as one exposure sees it. */
import type { Matrix3 } from "../core/transform.ts";
import type { FrameConditions } from "./frame_conditions.ts";
import type { MotionStep } from "./render_stars.ts";
import type { Rig } from "./rig.ts";
import type { Scene } from "./scene.ts";

/** A scene, and how one exposure sees it. */
export interface ImagedField {
  /** Telescope and camera. */
  readonly rig: Rig;
  /** Piece of sky. */
  readonly scene: Scene;
  /** Conditions of the frame. */
  readonly now: FrameConditions;
  /** From a pixel to the sky. */
  readonly skyMatrix: Matrix3;
  /** Where the image stands during the exposure; empty for no motion. */
  readonly motion: readonly MotionStep[];
  /** FWHM of a star in the middle of the field, before motion and defocus, pixels. */
  readonly fwhmPixels: number;
  /** Exposure times the transmission of clear air, seconds. */
  readonly clearSeconds: number;
  /** Pixels that are drawn beyond each border, so that defocus finds what it spreads into the frame. */
  readonly padding: number;
}
