/**
 * Master calibration frames of a night, each made once and only when pixels are wanted; a run keeps them as files and
 * reads them back for use.
 */
import { combineBias } from "../calibrate/combine_bias.ts";
import { combineDark } from "../calibrate/combine_dark.ts";
import { combineFlat } from "../calibrate/combine_flat.ts";
import type { CombineMasterOptions } from "../calibrate/combine_master.ts";
import { findDefects } from "../calibrate/find_defects.ts";
import { type Masters, prepareCorrection } from "../calibrate/prepare_correction.ts";
import type { FrameRecord } from "../core/frame_record.ts";
import { plainGeometry } from "../core/geometry.ts";
import type { Image } from "../core/image.ts";
import type { Mask } from "../core/mask.ts";
import type { SensorCorrection } from "../core/sensor_correction.ts";
import { join } from "../io/paths.ts";
import { readFits } from "../io/read_fits.ts";
import { writeFits } from "../io/write_fits.ts";
import type { CalibrationMatch, CalibrationSet } from "../night/calibration_plan.ts";
import { fenced } from "./fence.ts";
import { digestIn, type NightContext, safeName } from "./night_context.ts";

/** A master on disk. */
export interface MasterFile {
  /** Path within the output folder. */
  readonly file: string;
  /** Where it is kept; null when it is in memory only. */
  readonly path: string | null;
  /** What it is. */
  readonly kind: CalibrationSet["kind"];
  /** Files it is made of. */
  readonly frames: readonly string[];
  /** Remarks made on the way. */
  readonly notes: readonly string[];
}

/** A master that the person gives in place of a matched one. */
export interface GivenMaster<T = Image> {
  /** What tells it from any other. */
  readonly identity: string;
  /** The master; `own` are the match's other masters, should it need one. */
  readonly read: (own: { readonly flatDark: Image | null }) => T;
}

/** Masters given by the person for one match: null leaves one away, what is left out stays as matched. */
export interface GivenMasters {
  readonly bias?: GivenMaster | null;
  readonly dark?: GivenMaster | null;
  readonly flat?: GivenMaster | null;
  readonly defects?: GivenMaster<Mask> | null;
}

/** What calibrates the lights of one match; nothing is made or read before the correction is asked for. */
export interface Calibrator {
  /** What it is made of: equal keys calibrate alike. */
  readonly key: string;
  /** Whether the level of a frame without light is taken off. */
  readonly takesOffDark: boolean;
  /** The masters themselves. */
  readonly masters: () => Required<Masters>;
  /** The masters made ready for use on many frames. */
  readonly correction: () => SensorCorrection;
}

/** Makes masters for one night and remembers them. */
export interface MasterMaker {
  /** What calibrates the lights of a match. */
  readonly calibratorFor: (match: CalibrationMatch, given?: GivenMasters) => Calibrator;
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
  /** What tells a file's content from any other's. */
  readonly identity: (record: FrameRecord) => string;
  /** How masters are combined. */
  readonly combining: Partial<CombineMasterOptions>;
  /** Whether masters read once are held on to: those that are files by now need not be. */
  readonly holdsImages: boolean;
  /** Receives a remark on a master that cannot be made. */
  readonly remark: (text: string) => void;
  /**
   * The master: an earlier one of the same question, or the one that `make` gives. `name` is its place in the output
   * folder.
   */
  readonly master: (
    question: MasterQuestion,
    name: string,
    set: CalibrationSet,
    make: () => Image,
  ) => { readonly image: Image; readonly notes: readonly string[]; readonly path: string | null };
}

const notesOf = (image: Image): readonly string[] => image.history.nodes.at(-1)?.notes ?? [];

/** The store of a night: masters are files of the output folder. */
export function masterFiles({ checkpoints, digests, progress, remark }: NightContext): MasterStore {
  return {
    identity: (record) => digestIn({ digests }, record),
    combining: {},
    holdsImages: false,
    remark,
    master: (question, name, set, make) => {
      const { answer, folder } = checkpoints.onceWithFiles("master", { ...question, name }, [name], (own) => {
        progress({ label: `combining ${set.kind} frames`, done: 0, total: 1 });
        const image = make();
        writeFits(join(own, name), image);
        progress({ label: `combining ${set.kind} frames`, done: 1, total: 1 });
        return { notes: notesOf(image) };
      });
      const path = join(folder, name);
      return { image: readFits(path, { bayer: set.frames[0].bayer }), notes: answer.notes, path };
    },
  };
}

/** A store that writes nothing: masters stay in memory for as long as the maker does. */
export function masterMemory(
  identity: MasterStore["identity"],
  combining: Partial<CombineMasterOptions> = {},
): MasterStore {
  return {
    identity,
    combining,
    holdsImages: true,
    remark: () => {},
    master: (_question, _name, _set, make) => {
      const image = make();
      return { image, notes: notesOf(image), path: null };
    },
  };
}

function makeMaster(set: CalibrationSet, subtract: Image | null, options: Partial<CombineMasterOptions>): Image {
  if (set.master) return readFits(set.frames[0].path, { bayer: set.frames[0].bayer });
  if (set.kind === "flat") return combineFlat(set.frames, { ...options, dark: subtract });
  return (set.kind === "bias" ? combineBias : combineDark)(set.frames, options);
}

/** A set, and what is taken off its frames first. */
interface Ingredient {
  readonly set: CalibrationSet;
  readonly subtract: CalibrationSet | null;
  readonly question: MasterQuestion;
  readonly key: string;
}

/** A maker of masters. */
export function masterMaker(store: MasterStore): MasterMaker {
  const { identity } = store;
  const images = new Map<string, Image>();
  const files = new Map<string, MasterFile>();
  const names = new Map<string, string>();
  const calibrators = new Map<string, Calibrator>();

  const ingredient = (set: CalibrationSet | null, subtract: CalibrationSet | null = null): Ingredient | null => {
    if (set === null) return null;
    const question = {
      kind: set.kind,
      master: set.master,
      frames: set.frames.map(identity),
      subtract: subtract?.frames.map(identity) ?? null,
    };
    return { set, subtract, question, key: JSON.stringify(question) };
  };

  /** Names follow the order in which matches are asked about, not that in which pixels are wanted. */
  const settleName = (item: Ingredient | null): void => {
    if (item === null || names.has(item.key)) return;
    const { filter, exposureSeconds, rig } = item.set.frames[0];
    const { kind } = item.set;
    const parts = [rig, kind, filter, exposureSeconds === null || kind === "bias" ? "" : `${exposureSeconds}s`];
    const stem = safeName(parts.filter((part) => part !== "").join("-"));
    const taken = new Set(names.values());
    let name = stem;
    for (let n = 2; taken.has(`masters/${name}.fits`); n++) name = `${stem}-${n}`;
    names.set(item.key, `masters/${name}.fits`);
  };

  const master = (item: Ingredient | null): Image | null => {
    if (item === null) return null;
    const { set, subtract, question, key } = item;
    const known = images.get(key);
    if (known !== undefined) return known;
    const name = names.get(key) as string;
    const level = master(ingredient(subtract));
    const { image, notes, path } = store.master(question, name, set, () => makeMaster(set, level, store.combining));
    images.set(key, image);
    files.set(name, { file: name, path, kind: set.kind, frames: set.frames.map((record) => record.file), notes });
    return image;
  };

  /** The master; without one where it cannot be made, which is said. */
  const usableMaster = (item: Ingredient | null): Image | null =>
    fenced(() => master(item), (fact) => {
      const [first, ...more] = item === null ? [] : item.set.frames;
      store.remark(
        `${first.file}${more.length > 0 ? ` and ${more.length} more` : ""}: no master ${first.kind} of it, because ` +
          `${fact}; the lights go on without it; take new frames of this kind`,
      );
      return null;
    });

  const calibratorFor = (match: CalibrationMatch, given: GivenMasters = {}): Calibrator => {
    const { group, dark, flat, bias, flatDark } = match;
    const scale = given.dark === undefined ? dark?.scale ?? 1 : 1;
    const hasDark = given.dark === undefined ? dark !== null : given.dark !== null;
    const own = {
      dark: given.dark === undefined ? ingredient(dark) : null,
      flat: given.flat === undefined ? ingredient(flat, flatDark) : null,
      bias: given.bias === undefined && (!hasDark || scale !== 1) ? ingredient(bias) : null,
    };
    const light = group.lights[0];
    const key = JSON.stringify([
      own.dark?.key ?? given.dark?.identity ?? null,
      own.flat?.key ?? (given.flat ? [given.flat.identity, ingredient(flatDark)?.key] : null),
      own.bias?.key ?? given.bias?.identity ?? null,
      given.defects === undefined ? "found" : given.defects?.identity ?? null,
      [light.width, light.height, light.bayer, light.fullScaleAdu, scale],
    ]);
    const known = calibrators.get(key);
    if (known !== undefined) return known;
    settleName(own.dark);
    settleName(own.flat);
    settleName(own.flat === null ? null : ingredient(flatDark));
    settleName(own.bias);

    const masters = (): Required<Masters> => {
      const needs = { flatDark: null };
      const taken = {
        dark: given.dark === undefined ? usableMaster(own.dark) : given.dark?.read(needs) ?? null,
        flat: given.flat === undefined
          ? usableMaster(own.flat)
          : given.flat?.read({ flatDark: master(ingredient(flatDark)) }) ?? null,
        bias: given.bias === undefined ? usableMaster(own.bias) : given.bias?.read(needs) ?? null,
      };
      if (!store.holdsImages) images.clear();
      if (given.defects !== undefined) return { ...taken, defects: given.defects?.read(needs) ?? null };
      const bare = taken.dark === null && taken.flat === null;
      return { ...taken, defects: bare ? null : findDefects({ dark: taken.dark, flat: taken.flat }).mask };
    };

    let prepared: SensorCorrection | undefined;
    const correction = (): SensorCorrection => {
      const size = { width: light.width, height: light.height, geometry: { ...plainGeometry, bayer: light.bayer } };
      return prepared ??= prepareCorrection(size, masters(), {
        darkScale: scale,
        saturationLevel: light.fullScaleAdu === null ? null : 0.98 * light.fullScaleAdu,
      });
    };
    const hasBias = given.bias === undefined ? own.bias !== null : given.bias !== null;
    const made = { key, takesOffDark: hasDark || hasBias, masters, correction };
    calibrators.set(key, made);
    return made;
  };
  return { calibratorFor, files: () => [...files.values()] };
}
