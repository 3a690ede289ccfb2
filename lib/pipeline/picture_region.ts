/** The part of the field that is worth a picture. */
import type { Region } from "../core/geometry.ts";
import type { Image } from "../core/image.ts";
import { commonRegion } from "../stack/crop_image.ts";
import type { NightContext } from "./night_context.ts";
import type { StackedNight } from "./stack_lights.ts";

/** Most of the area given up for full coverage; beyond, pixels with fewer frames are kept. */
const maximumAreaLost = 0.25;

/** Share of the frames that must cover a pixel when full coverage would cost too much. */
const partialCoverage = 0.7;

/** A region, and the share of the frames that cover all of it. */
interface CoveredRegion {
  readonly region: Region;
  readonly share: number;
}

function coveredRegion(coverages: readonly Image[]): CoveredRegion {
  const { width, height } = coverages[0];
  const full = { region: commonRegion(coverages, 1), share: 1 };
  const area = ({ region }: CoveredRegion) => region.width * region.height;
  if (area(full) >= (1 - maximumAreaLost) * width * height) return full;
  const wider = { region: commonRegion(coverages, partialCoverage), share: partialCoverage };
  return area(wider) <= area(full) ? full : wider;
}

/**
 * The part of the field that enough lights of every stack cover, the same for all.
 *
 * @param stacks stacks on one grid, at least one
 */
export function pictureRegion(context: NightContext, stacks: readonly StackedNight[]): Region {
  const question = stacks.map(({ key }) => key);
  const { region, share } = context.checkpoints.once(
    "region",
    question,
    () => coveredRegion(stacks.map((stack) => stack.read("coverage"))),
  );
  if (share < 1) {
    context.remark(
      `the picture is cropped to what ${share * 100} % of the frames cover: the field turned or drifted`,
    );
  }
  return region;
}
