/**
 * Master calibration frames of a night, each made once; a run writes them to `masters/` and reads them back for use.
 */
import { combineBias } from "../calibrate/combine_bias.ts";
import { combineDark } from "../calibrate/combine_dark.ts";
import { combineFlat } from "../calibrate/combine_flat.ts";
import { findDefects } from "../calibrate/find_defects.ts";
import { prepareCorrection } from "../calibrate/prepare_correction.ts";
import type { Image } from "../core/image.ts";
import type { SensorCorrection } from "../core/sensor_correction.ts";
import { plainGeometry } from "../core/geometry.ts";
import { readFits } from "../io/read_fits.ts";
import { writeFits } from "../io/write_fits.ts";
import { join } from "../io/paths.ts";
import type { CalibrationMatch, CalibrationSet } from "../night/calibration_plan.ts";
import type { FrameRecord } from "../core/frame_record.ts";
import { digestIn, type NightContext, safeName } from "./night_context.ts";

/** A master on disk. */
export interface MasterFile {
  /** Path within the output folder. */
  readonly file: string;
  /** What it is. */
  readonly kind: CalibrationSet["kind"];
  /** Files it is made of. */
  readonly frames: readonly string[];
  /** Remarks made on the way. */
  readonly notes: readonly string[];
}

/** Makes masters for one run and remembers them. */
export interface MasterMaker {
  /** What calibrates the lights of a group. */
  readonly correctionFor: (match: CalibrationMatch) => SensorCorrection;
  /** Masters made or used so far. */
  readonly files: () => readonly MasterFile[];
}

/** What a master is made of, as a question whose answer can be kept. */
export interface MasterQuestion {
  /** What it is. */
  readonly kind: CalibrationSet["kind"];
  /** Whether it was ready-made. */
  readonly master: boolean;
  /** Identity of each of its frames. */
  readonly frames: readonly string[];
  /** Identity of each frame of what is taken off first; null for nothing. */
  readonly subtract: readonly string[] | null;
}

/** Where a maker finds frames and leaves masters. */
export interface MasterStore {
  /** The night's folder. */
  readonly folder: string;
  /** What tells a file's content from any other's. */
  readonly identity: (record: FrameRecord) => string;
  /**
   * The master: an earlier one of the same question, or the one that `make` gives. `name` is its place in the output
   * folder.
   */
  readonly master: (
    question: MasterQuestion,
    name: string,
    set: CalibrationSet,
    make: () => Image,
  ) => { readonly image: Image; readonly notes: readonly string[] };
}

const notesOf = (image: Image): readonly string[] => image.history.nodes.at(-1)?.notes ?? [];

/** The store of a run: masters are files of the output folder. */
export function masterFiles(context: NightContext): MasterStore {
  const { checkpoints, folder, out, progress } = context;
  return {
    folder,
    identity: (record) => digestIn(context, record),
    master: (question, name, set, make) => {
      const { notes } = checkpoints.once("master", { ...question, name }, () => {
        progress({ label: `combining ${set.kind} frames`, done: 0, total: 1 });
        const image = make();
        writeFits(join(out, name), image);
        progress({ label: `combining ${set.kind} frames`, done: 1, total: 1 });
        return { notes: notesOf(image) };
      });
      return { image: readFits(join(out, name), { bayer: set.frames[0].bayer }), notes };
    },
  };
}

/** A store that writes nothing: masters stay in memory for as long as the maker does. */
export function masterMemory(folder: string, identity: MasterStore["identity"]): MasterStore {
  return {
    folder,
    identity,
    master: (_question, _name, _set, make) => {
      const image = make();
      return { image, notes: notesOf(image) };
    },
  };
}

/** A maker of masters. */
export function masterMaker(store: MasterStore): MasterMaker {
  const { folder, identity } = store;
  const images = new Map<string, Image>();
  const files = new Map<string, MasterFile>();
  const taken = new Set<string>();

  const nameFor = (set: CalibrationSet): string => {
    const { filter, exposureSeconds, rig } = set.frames[0];
    const parts = [rig, set.kind, filter, exposureSeconds === null || set.kind === "bias" ? "" : `${exposureSeconds}s`];
    const stem = safeName(parts.filter((part) => part !== "").join("-"));
    let name = stem;
    for (let n = 2; taken.has(name); n++) name = `${stem}-${n}`;
    taken.add(name);
    return `masters/${name}.fits`;
  };

  const make = (set: CalibrationSet, subtract: Image | null): Image => {
    const paths = set.frames.map((record) => join(folder, record.file));
    if (set.master) return readFits(paths[0], { bayer: set.frames[0].bayer });
    if (set.kind === "flat") return combineFlat(paths, { dark: subtract });
    return (set.kind === "bias" ? combineBias : combineDark)(paths);
  };

  /** The master of a set, with what is taken off its frames first. */
  const master = (set: CalibrationSet | null, subtract: CalibrationSet | null = null): Image | null => {
    if (set === null) return null;
    const question = {
      kind: set.kind,
      master: set.master,
      frames: set.frames.map(identity),
      subtract: subtract?.frames.map(identity) ?? null,
    };
    const key = JSON.stringify(question);
    const known = images.get(key);
    if (known !== undefined) return known;
    const name = nameFor(set);
    const level = subtract === null ? null : master(subtract);
    const { image, notes } = store.master(question, name, set, () => make(set, level));
    images.set(key, image);
    files.set(name, {
      file: name,
      kind: set.kind,
      frames: set.frames.map((record) => record.file),
      notes,
    });
    return image;
  };

  const corrections = new Map<string, SensorCorrection>();
  const correctionFor = (match: CalibrationMatch): SensorCorrection => {
    const { group, dark, flat, bias, flatDark } = match;
    const dark1 = master(dark);
    const flat1 = master(flat, flatDark);
    const bias1 = dark1 === null || dark?.scale !== 1 ? master(bias) : null;
    const light = group.lights[0];
    const key = [dark1, flat1, bias1].map((image) => image?.history.head ?? "").join("/") +
      `/${light.bayer}/${dark?.scale}`;
    const found = corrections.get(key);
    if (found !== undefined) return found;
    const size = { width: light.width, height: light.height, geometry: { ...plainGeometry, bayer: light.bayer } };
    const defects = dark1 === null && flat1 === null ? null : findDefects({ dark: dark1, flat: flat1 });
    const made = prepareCorrection(size, { dark: dark1, flat: flat1, bias: bias1, defects: defects?.mask ?? null }, {
      darkScale: dark?.scale ?? 1,
      saturationLevel: light.fullScaleAdu === null ? null : 0.98 * light.fullScaleAdu,
    });
    corrections.set(key, made);
    return made;
  };
  return { correctionFor, files: () => [...files.values()] };
}
