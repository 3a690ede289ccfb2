/** Which frames come of one sensor. */
import type { FrameRecord } from "../core/frame_record.ts";

/** What frames of one sensor as it is read out have in common. */
export const sensorKey = ({ rig, width, height, binning }: FrameRecord): string =>
  JSON.stringify([rig, width, height, binning]);
