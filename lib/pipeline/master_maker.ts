/**
 * Master calibration frames of a night, each made once and only when pixels are wanted; a run keeps them as files and
 * reads them back for use.
 */
import { namesInWords } from "../core/names_in_words.ts";
import { combineBias } from "../calibrate/combine_bias.ts";
import { combineDark } from "../calibrate/combine_dark.ts";
import { combineFlat } from "../calibrate/combine_flat.ts";
import type { CombineMasterOptions } from "../calibrate/combine_master.ts";
import { findDefects, findDefectsDefaults } from "../calibrate/find_defects.ts";
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
export function masterFiles({ checkpoints, digests, copies, progress, remark }: NightContext): MasterStore {
  return {
    identity: (record) => digestIn({ digests, copies }, record),
    combining: {},
    holdsImages: false,
    remark,
    master: (question, name, set, make) => {
      // the names of its frames stand in a master's header
      const files = set.frames.map(({ file }) => file);
      const { answer, folder } = checkpoints.onceWithFiles("master", { ...question, name, files }, [name], (own) => {
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

/** A set and what it is made of; null without a set. */
function ingredientOf(
  { identity }: MasterStore,
  set: CalibrationSet | null,
  subtract: CalibrationSet | null = null,
): Ingredient | null {
  if (set === null) return null;
  const question = {
    kind: set.kind,
    master: set.master,
    frames: set.frames.map(identity),
    subtract: subtract?.frames.map(identity) ?? null,
  };
  return { set, subtract, question, key: JSON.stringify(question) };
}

/** Place of a master in the output folder, one that is not taken. */
function freshName({ set }: Ingredient, taken: ReadonlySet<string>): string {
  const { filter, exposureSeconds, rig } = set.frames[0];
  const exposure = exposureSeconds === null || set.kind === "bias" ? "" : `${exposureSeconds}s`;
  const stem = safeName([rig, set.kind, filter, exposure].filter((part) => part !== "").join("-"));
  let name = stem;
  for (let n = 2; taken.has(`masters/${name}.fits`); n++) name = `${stem}-${n}`;
  return `masters/${name}.fits`;
}

/** What the lights of one match are calibrated with: the match's own sets, where the person gives no master. */
interface Parts {
  readonly dark: Ingredient | null;
  readonly flat: Ingredient | null;
  readonly bias: Ingredient | null;
  readonly flatDark: Ingredient | null;
  /** Exposure of the lights over that of the darks. */
  readonly scale: number;
  /** Whether the level of a frame without light is taken off. */
  readonly takesOffDark: boolean;
  /** Equal keys calibrate alike. */
  readonly key: string;
}

/** Lights of a match that show defects where no dark does: as many as are looked at, spread over the night. */
function spreadLights({ group: { lights } }: CalibrationMatch): readonly FrameRecord[] {
  const count = Math.min(lights.length, findDefectsDefaults.maximumLights);
  return Array.from({ length: count }, (_, k) => lights[Math.floor((k + 0.5) * lights.length / count)]);
}

function partsOf(store: MasterStore, match: CalibrationMatch, given: GivenMasters): Parts {
  const { group, dark, flat, bias, flatDark } = match;
  const scale = given.dark === undefined ? dark?.scale ?? 1 : 1;
  const hasDark = given.dark === undefined ? dark !== null : given.dark !== null;
  const own = {
    dark: given.dark === undefined ? ingredientOf(store, dark) : null,
    flat: given.flat === undefined ? ingredientOf(store, flat, flatDark) : null,
    bias: given.bias === undefined && (!hasDark || scale !== 1) ? ingredientOf(store, bias) : null,
    flatDark: ingredientOf(store, flatDark),
  };
  const hasBias = given.bias === undefined ? own.bias !== null : given.bias !== null;
  const light = group.lights[0];
  const key = JSON.stringify([
    own.dark?.key ?? given.dark?.identity ?? spreadLights(match).map(store.identity),
    own.flat?.key ?? (given.flat ? [given.flat.identity, own.flatDark?.key] : null),
    own.bias?.key ?? given.bias?.identity ?? null,
    given.defects === undefined ? "found" : given.defects?.identity ?? null,
    [light.width, light.height, light.bayer, light.fullScaleAdu, scale],
  ]);
  return { ...own, scale, takesOffDark: hasDark || hasBias, key };
}

/** Makes each master once, under the name that was settled for it. */
interface MasterShelf {
  /** Names follow the order in which matches are asked about, not that in which pixels are wanted. */
  readonly settleName: (item: Ingredient | null) => void;
  /** The master, made or read. */
  readonly master: (item: Ingredient | null) => Image | null;
  /** The master; without one where it cannot be made, which is said. */
  readonly usableMaster: (item: Ingredient | null) => Image | null;
  /** Let go of images that are files by now. */
  readonly release: () => void;
  /** Masters made or used so far. */
  readonly files: () => readonly MasterFile[];
}

function masterShelf(store: MasterStore): MasterShelf {
  const images = new Map<string, Image>();
  const files = new Map<string, MasterFile>();
  const names = new Map<string, string>();

  const settleName = (item: Ingredient | null): void => {
    if (item === null || names.has(item.key)) return;
    names.set(item.key, freshName(item, new Set(names.values())));
  };

  const master = (item: Ingredient | null): Image | null => {
    if (item === null) return null;
    const { set, subtract, question, key } = item;
    const known = images.get(key);
    if (known !== undefined) return known;
    const name = names.get(key) as string;
    const level = master(ingredientOf(store, subtract));
    const { image, notes, path } = store.master(question, name, set, () => makeMaster(set, level, store.combining));
    images.set(key, image);
    files.set(name, { file: name, path, kind: set.kind, frames: set.frames.map((record) => record.file), notes });
    return image;
  };

  const usableMaster = (item: Ingredient | null): Image | null =>
    fenced(() => master(item), (fact) => {
      const frames = item === null ? [] : item.set.frames;
      store.remark(
        `${namesInWords(frames.map(({ file }) => file), 1)}: no master ${frames[0].kind} of it, because ${fact}; ` +
          `the lights go on without it; take new frames of this kind`,
      );
      return null;
    });

  const release = (): void => {
    if (!store.holdsImages) images.clear();
  };
  return { settleName, master, usableMaster, release, files: () => [...files.values()] };
}

/** The masters of one match: the match's own, or those that the person gives. */
function mastersOf(
  shelf: MasterShelf,
  parts: Parts,
  given: GivenMasters,
  defectsWithoutDark: (flat: Image | null) => Mask | null,
): Required<Masters> {
  const needs = { flatDark: null };
  const taken = {
    dark: given.dark === undefined ? shelf.usableMaster(parts.dark) : given.dark?.read(needs) ?? null,
    flat: given.flat === undefined
      ? shelf.usableMaster(parts.flat)
      : given.flat?.read({ flatDark: shelf.master(parts.flatDark) }) ?? null,
    bias: given.bias === undefined ? shelf.usableMaster(parts.bias) : given.bias?.read(needs) ?? null,
  };
  shelf.release();
  if (given.defects !== undefined) return { ...taken, defects: given.defects?.read(needs) ?? null };
  const { dark, flat } = taken;
  return { ...taken, defects: dark === null ? defectsWithoutDark(flat) : findDefects({ dark, flat }).mask };
}

/**
 * Defects of a sensor without a dark: those of the flat, and what stands at one place in the lights while the stars
 * move, or stands out alone; only those of the flat where the lights cannot be read.
 */
function defectsOfLights(store: MasterStore, match: CalibrationMatch, flat: Image | null): Mask | null {
  const lights = spreadLights(match);
  const remark = (text: string) => store.remark(`${lights[0].file} and the lights like it: ${text}`);
  return fenced(
    () => {
      const { mask, hot, cold } = findDefects({ flat, lights });
      remark(`no dark tells hot pixels; ${hot} bright and ${cold} dark ones were found in the lights and are repaired`);
      return mask;
    },
    (fact) => {
      remark(`no dark tells hot pixels, and they could not be sought in the lights, because ${fact}; take darks`);
      return flat === null ? null : findDefects({ flat }).mask;
    },
  );
}

/** A maker of masters. */
export function masterMaker(store: MasterStore): MasterMaker {
  const shelf = masterShelf(store);
  const calibrators = new Map<string, Calibrator>();

  const calibratorFor = (match: CalibrationMatch, given: GivenMasters = {}): Calibrator => {
    const parts = partsOf(store, match, given);
    const { key, takesOffDark, scale } = parts;
    const known = calibrators.get(key);
    if (known !== undefined) return known;
    shelf.settleName(parts.dark);
    shelf.settleName(parts.flat);
    // a flat that the person gives may need the match's flat-dark as well
    shelf.settleName(parts.flat === null && !given.flat ? null : parts.flatDark);
    shelf.settleName(parts.bias);

    const masters = (): Required<Masters> =>
      mastersOf(shelf, parts, given, (flat) => defectsOfLights(store, match, flat));
    const light = match.group.lights[0];
    let prepared: SensorCorrection | undefined;
    const correction = (): SensorCorrection => {
      const size = { width: light.width, height: light.height, geometry: { ...plainGeometry, bayer: light.bayer } };
      return prepared ??= prepareCorrection(size, masters(), {
        darkScale: scale,
        saturationLevel: light.fullScaleAdu === null ? null : 0.98 * light.fullScaleAdu,
      });
    };
    const made = { key, takesOffDark, masters, correction };
    calibrators.set(key, made);
    return made;
  };
  return { calibratorFor, files: shelf.files };
}
