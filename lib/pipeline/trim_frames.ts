/**
 * Overscan off and edges trimmed, for every frame of a rig alike: a trimmed copy of each lies among the kept answers,
 * and whatever reads the night's pixels reads that.
 */
import { trimOverscan } from "../calibrate/trim_overscan.ts";
import { FrameError } from "../core/errors.ts";
import type { FrameRecord, FrameSections } from "../core/frame_record.ts";
import { shiftBayer } from "../core/geometry.ts";
import { digestOf } from "../io/checkpoints.ts";
import type { FrameList, UnreadableFrame } from "../io/list_frames.ts";
import { join } from "../io/paths.ts";
import { readFits } from "../io/read_fits.ts";
import { writeFits } from "../io/write_fits.ts";
import { digestIn, type NightContext } from "./night_context.ts";
import { sensorKey } from "./sensor_key.ts";

const trimmedName = "trimmed.fits";

const levelOf = (notes: readonly string[]): number | null => {
  const found = /^overscan level (-?[\d.]+) ADU/.exec(notes[0] ?? "");
  return found === null ? null : Number(found[1]);
};

/** A frame's record after trimming: size, mosaic and full scale follow. */
function trimmedRecord(
  record: FrameRecord,
  { picture }: FrameSections,
  trimmed: { readonly path: string; readonly level: number | null },
): FrameRecord {
  const { sections: _, ...facts } = record;
  return {
    ...facts,
    path: trimmed.path,
    width: picture.width,
    height: picture.height,
    bayer: record.bayer === null ? null : shiftBayer(record.bayer, picture.x, picture.y),
    fullScaleAdu: record.fullScaleAdu === null ? null : record.fullScaleAdu - Math.round(trimmed.level ?? 0),
  };
}

/** Trim one frame, or find the copy that an earlier run has made. */
function trimFrame(context: NightContext, record: FrameRecord, sections: FrameSections): FrameRecord {
  const question = { frame: digestIn(context, record), sections, bayer: record.bayer };
  const { answer, folder } = context.checkpoints.onceWithFiles("trim", question, [trimmedName], (own) => {
    const whole = readFits(record.path, { bayer: record.bayer, checksum: "accept" });
    const { overscan, picture } = sections;
    const image = trimOverscan(whole, { overscanRegion: overscan, keepRegion: picture });
    writeFits(join(own, trimmedName), image);
    return { level: levelOf(image.history.nodes.at(-1)?.notes ?? []) };
  });
  context.copies.set(record.file, ` ${digestOf({ sections, bayer: record.bayer }).slice(0, 16)}`);
  return trimmedRecord(record, sections, { path: join(folder, trimmedName), level: answer.level });
}

/**
 * The list with every frame trimmed whose header names the sections, or whose rig does in other frames of that size.
 * Files of which no header speaks are left as they are.
 */
export function trimFrames(context: NightContext, list: FrameList): FrameList {
  const ofSensor = new Map<string, FrameSections>();
  for (const record of list.records) {
    const key = sensorKey(record);
    if (record.sections !== undefined && !ofSensor.has(key)) ofSensor.set(key, record.sections);
  }
  if (ofSensor.size === 0) return list;
  const told = new Map<string, { readonly record: FrameRecord; readonly sections: FrameSections; count: number }>();
  const unreadable: UnreadableFrame[] = [];
  const total = list.records.length;
  const records = list.records.flatMap((record, index) => {
    const key = sensorKey(record);
    const sections = ofSensor.get(key);
    if (sections === undefined || record.planes !== 1) return [record];
    context.progress({ label: "trimming frames", done: index, total, note: record.file });
    try {
      const trimmed = trimFrame(context, record, sections);
      const known = told.get(key);
      if (known === undefined) told.set(key, { record, sections, count: 1 });
      else known.count++;
      return [trimmed];
    } catch (error) {
      if (!(error instanceof FrameError)) throw error;
      unreadable.push({ file: record.file, reason: error.reason, message: error.message });
      return [];
    }
  });
  context.progress({ label: "trimming frames", done: total, total });
  for (const { record, sections: { picture, overscan }, count } of told.values()) {
    const level = overscan === null
      ? "no overscan level is taken off"
      : `the level of the overscan columns ${overscan.x + 1} to ${overscan.x + overscan.width} is taken off row by row`;
    context.remark(
      `${record.rig || "the rig"}: ${count} frames are trimmed from ${record.width} × ${record.height} to ` +
        `${picture.width} × ${picture.height} pixels, as their headers say; ${level}`,
    );
  }
  return { ...list, records, unreadable: [...list.unreadable, ...unreadable] };
}
