/** What the phases of a star search share: the samples, the settings and the sky. */
import type { Sampling } from "../core/sampling.ts";
import type { TileLevels } from "../kernels/detection.ts";
import { meshNoiseAt, skyLevelAt, type SkyMesh } from "./sky_mesh.ts";

/** Settings of a star search. */
export interface StarSearchSettings {
  /** Least signal-to-noise ratio of a star. */
  readonly detectionSigma: number;
  /** Level of the samples from which on they count as saturated; Infinity when not known. */
  readonly saturationLevel: number;
  /** Electrons per unit of the samples; 0 when not known. */
  readonly electronsPerUnit: number;
  /** At most this many stars, the brightest. */
  readonly maximumStars: number;
}

/** A frame while it is searched. */
export interface SearchField {
  /** Its samples, single bright pixels filled once they are known. */
  readonly sampling: Sampling;
  /** Settings of the search. */
  readonly settings: StarSearchSettings;
  /** Sky and noise. */
  readonly sky: SkyMesh;
  /**
   * Meshes whose sum is the sky under the stars: with the small tiles, which follow a nebula, unless the stars are so
   * wide that those would take them for nebula.
   */
  readonly skyMeshes: readonly TileLevels[];
}

/** A frame as the search begins. */
export function openField(sampling: Sampling, settings: StarSearchSettings, sky: SkyMesh): SearchField {
  return { sampling, settings, sky, skyMeshes: sky.fine === null ? [sky.mesh] : [sky.mesh, sky.fine] };
}

/** The frame with the coarse mesh alone as its sky. */
export const withoutFineMesh = (field: SearchField): SearchField => ({ ...field, skyMeshes: [field.sky.mesh] });

/** Noise of a pixel. */
export const pixelNoiseAt = ({ sky }: SearchField, x: number, y: number): number =>
  sky.noiseRatio * meshNoiseAt(sky.mesh, x, y);

/** Level of the sky at a pixel. */
export const skyAt = (field: SearchField, x: number, y: number): number => skyLevelAt(field.skyMeshes, x, y);

/** Most candidates looked at: four times as many as stars are asked for, because most peaks are noise. */
export const maximumCandidates = ({ settings }: SearchField): number => Math.max(20, settings.maximumStars) * 4;
