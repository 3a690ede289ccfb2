/**
 * Samples that are no counts, before anything is measured: infinite ones and borders of one exact value are missing
 * data, and frames from 0 to 1 are counted in ADU again. A mended copy lies among the kept answers, and whatever reads
 * the night's pixels reads that.
 */
import { blankBorder, hasBlankRun } from "../calibrate/blank_border.ts";
import { FrameError } from "../core/errors.ts";
import type { FrameRecord } from "../core/frame_record.ts";
import { allocatePlane, derive, type Image } from "../core/image.ts";
import { digestOf } from "../io/checkpoints.ts";
import type { FrameList } from "../io/list_frames.ts";
import { openFits } from "../io/open_fits.ts";
import { join } from "../io/paths.ts";
import { readFits } from "../io/read_fits.ts";
import { writeFits } from "../io/write_fits.ts";
import { parallelMap, type PoolTask } from "../parallel/pool.ts";
import { isImpossible } from "./calibrate_light.ts";
import { digestIn, type NightContext } from "./night_context.ts";
import { remarkOnFiles } from "./remark_on_files.ts";
import { sensorKey } from "./sensor_key.ts";

/** What a look at the samples of a frame finds. */
interface Found {
  /** Whether all samples were looked at; integers without a blank run on their edges need no look. */
  readonly whole: boolean;
  /** Samples that are infinite or larger than any sensor counts. */
  readonly impossible: number;
  /** Samples of a blank border. */
  readonly blank: number;
  /** Highest possible sample. */
  readonly highest: number;
}

const nothingFound: Found = Object.freeze({ whole: false, impossible: 0, blank: 0, highest: Infinity });

/** Whether the samples of a frame need a closer look: floats, and integers with a blank run on an edge. */
function needsLook({ path, kind }: FrameRecord): boolean {
  const file = openFits(path);
  try {
    const { layout, index } = file.firstImage();
    if (layout === null || layout.planes !== 1) return false;
    const { width, height, bitpix } = layout;
    if (bitpix < 0 || bitpix === 64) return true;
    return kind === "light" &&
      [0, height >> 1, height - 1].some((y) => hasBlankRun(file.readRegion(index, { x: 0, y, width, height: 1 })));
  } finally {
    file.close();
  }
}

/** Look at the samples of one frame; runs in the pool. What cannot be read is told by whoever measures it. */
export function findInFile(record: FrameRecord): Found {
  try {
    if (!needsLook(record)) return nothingFound;
    const { planes: [{ data }], width, height } = readFits(record.path, { checksum: "accept" });
    const marks = record.kind === "light" ? blankBorder({ data, width, height }) : null;
    let impossible = 0;
    let highest = -Infinity;
    for (let i = 0; i < data.length; i++) {
      if (isImpossible(data[i])) impossible++;
      else if (data[i] > highest) highest = data[i];
    }
    return { whole: true, impossible, highest, blank: marks === null ? 0 : marks.reduce((sum, each) => sum + each, 0) };
  } catch (error) {
    if (!(error instanceof FrameError)) throw error;
    return nothingFound;
  }
}

const findTask: PoolTask<FrameRecord, Found> = { module: import.meta.url, name: "findInFile", run: findInFile };

/** What was found of each frame; answers about frames that were looked at as a whole are kept. */
function findAll(context: NightContext, records: readonly FrameRecord[]): readonly Found[] {
  const { checkpoints, progress } = context;
  const question = (record: FrameRecord) => ({ frame: digestIn(context, record), kind: record.kind });
  const known = records.map((each) => checkpoints.find<Found>("samples", question(each)));
  const open = records.filter((_, at) => known[at] === undefined);
  const made = parallelMap(findTask, open, { label: "looking at samples", progress });
  const answers = new Map(open.map((record, at) => {
    const found = made[at].whole ? checkpoints.keep("samples", question(record), made[at]) : made[at];
    return [record.file, found];
  }));
  return records.map((record, at) => known[at] ?? answers.get(record.file) ?? nothingFound);
}

/** Full scale of 16 bits, which programs that write samples from 0 to 1 divide by: common practice, no source. */
const unitScale = 65535;

/** Sensors of whose lights at least a share is so. */
function sensorsWhere(
  records: readonly FrameRecord[],
  isSo: (record: FrameRecord, index: number) => boolean,
  share: number,
): ReadonlySet<string> {
  const verdicts = records.map((record, index) => ({ record, isSo: isSo(record, index) }));
  const sensors = Map.groupBy(
    verdicts.filter(({ record }) => record.kind === "light"),
    ({ record }) => sensorKey(record),
  );
  const chosen = [...sensors].filter(([, lights]) =>
    lights.filter((each) => each.isSo).length >= share * lights.length
  );
  return new Set(chosen.map(([sensor]) => sensor));
}

/** A frame in ADU whose impossible samples and blank borders are missing. */
function mended(image: Image, scale: number, isLight: boolean): Image {
  const { width, height, planes: [{ channel, data }] } = image;
  const marks = isLight ? blankBorder({ data, width, height }) : null;
  const out = allocatePlane(width, height);
  for (let i = 0; i < data.length; i++) {
    out[i] = isImpossible(data[i]) || (marks !== null && marks[i] === 1) ? NaN : scale * data[i];
  }
  return derive(image, { planes: [{ channel, data: out }] }, { step: "markMissing", options: { scale } });
}

const mendedName = "mended.fits";

/** Mend one frame, or find the copy that an earlier run has made. */
function mendFrame(context: NightContext, record: FrameRecord, scale: number): FrameRecord {
  const question = { frame: digestIn(context, record), scale, kind: record.kind, bayer: record.bayer };
  const { folder } = context.checkpoints.onceWithFiles("mend", question, [mendedName], (own) => {
    const image = readFits(record.path, { bayer: record.bayer, checksum: "accept" });
    writeFits(join(own, mendedName), mended(image, scale, record.kind === "light"));
    return {};
  });
  const before = context.copies.get(record.file) ?? "";
  context.copies.set(record.file, `${before} ${digestOf({ scale, mended: true }).slice(0, 16)}`);
  const path = join(folder, mendedName);
  return scale === 1 ? { ...record, path } : { ...record, path, fullScaleAdu: unitScale };
}

/** The list with every frame mended that needs it; what was done is said, once for all frames alike. */
export function mendFrames(context: NightContext, list: FrameList): FrameList {
  const found = findAll(context, list.records);
  const unit = sensorsWhere(list.records, (_, at) => found[at].highest <= 1, 1);
  // one file with a blank part was cut short; a night of them was padded
  const padded = sensorsWhere(list.records, (_, at) => found[at].blank > 0, 0.5);
  const told = { impossible: [] as FrameRecord[], blank: [] as FrameRecord[], unit: [] as FrameRecord[] };
  const records = list.records.map((record, at) => {
    const { impossible, blank, highest } = found[at];
    const isUnit = highest <= 1 && unit.has(sensorKey(record));
    if (impossible > 0) told.impossible.push(record);
    if (blank > 0) told.blank.push(record);
    if (isUnit) told.unit.push(record);
    if (impossible === 0 && blank === 0 && !isUnit) return record;
    const copy = mendFrame(context, record, isUnit ? unitScale : 1);
    const blankShare = blank / (record.width * record.height);
    return padded.has(sensorKey(record)) ? { ...copy, blankShare } : copy;
  });
  const tell = (frames: readonly FrameRecord[], fact: string): void => {
    remarkOnFiles(context.remark, frames.map(({ file }) => ({ file, text: fact })));
  };
  tell(told.unit, `samples run from 0 to 1: taken as shares of ${unitScale} ADU, the full scale of 16 bits`);
  tell(
    told.impossible,
    "samples that are infinite or larger than any sensor counts were taken for missing data; check the program that " +
      "wrote the files",
  );
  tell(
    told.blank,
    "borders of one exact value were taken for missing data; frames as the camera wrote them have none",
  );
  return { ...list, records };
}
