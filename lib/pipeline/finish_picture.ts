/**
 * From stacks to the picture: runs the recipe, writes each step's result and its before/after sheet, keeps the
 * ledger.
 */
import type { HistoryNode, Recorded } from "../core/history.ts";
import type { Image } from "../core/image.ts";
import { type Effect, measureEffect } from "../effect/measure_effect.ts";
import { type HalvesReport, validateHalves } from "../effect/validate_halves.ts";
import { readFits } from "../io/read_fits.ts";
import { writeFits } from "../io/write_fits.ts";
import { join } from "../io/paths.ts";
import { beforeAfterSheet } from "../view/before_after_sheet.ts";
import type { ReportStep } from "../view/report.ts";
import { type EncodedPicture, encodeSheet, type Sheet } from "../view/sheet.ts";
import { sideBySide } from "../view/side_by_side.ts";
import { formatShare } from "../view/text.ts";
import { effectLines } from "../view/effect_lines.ts";
import { fileName, type NightContext } from "./night_context.ts";
import { isStarless } from "./purpose_between.ts";
import { findStep } from "./step.ts";
import { fenced } from "./fence.ts";
import { plainPicture } from "./plain_picture.ts";
import { carryOutRecipe, type Recipe, type RecipeStep, type RecipeStepDone, replayHistory } from "./recipe.ts";

/** What a step did, for the record. */
export interface LedgerEntry {
  /** Id of the node in the recipe. */
  readonly node: string;
  /** Name of the library function. */
  readonly step: string;
  /** What it did; null where before and after cannot be compared. */
  readonly effect: Effect | null;
}

/** One step of a run, as a person looks back on it. */
export interface RunStep {
  /** Id in the recipe, behind the rig's name in all pictures but the first: `even-Ha`, `stretched`. */
  readonly id: string;
  /** Name of the library function. */
  readonly step: string;
  /** What it is for. */
  readonly title: string;
  /** Channel, or `""`. */
  readonly channel: string;
  /** What it did; null where before and after cannot be compared. */
  readonly effect: Effect | null;
  /** What to doubt. */
  readonly doubts: readonly string[];
  /** Before and after, as a picture. */
  readonly sheet: EncodedPicture;
  /** The result; read from its file when it is asked for. */
  readonly image: Image;
}

/** A finished picture and the evidence. */
export interface FinishedPicture {
  /** The picture, unit `display`. */
  readonly image: Image;
  /** What was done: the recipe without the steps that failed. */
  readonly recipe: Recipe;
  /** What was left out and why, in sentences. */
  readonly leftOut: readonly string[];
  /** What each step did. */
  readonly ledger: readonly LedgerEntry[];
  /** The same for the report. */
  readonly steps: readonly ReportStep[];
  /** The same for a person. */
  readonly results: readonly RunStep[];
  /** What only one half of the night shows; null when there are no halves. */
  readonly validation: HalvesReport | null;
}

/** Gives one of the two independent halves of each stack, by its name in the recipe. */
export type StackHalves = Readonly<Record<string, (half: "half-a" | "half-b") => Image>>;

const isImage = (value: Recorded): value is Image => "planes" in value && "unit" in value;
const kebab = (name: string): string => name.replaceAll(/[A-Z]/g, (letter) => `-${letter.toLowerCase()}`);

/** Whether the ledger can set two images side by side. */
const comparable = (before: Image, after: Image): boolean =>
  before.width === after.width && before.height === after.height && before.planes.length === after.planes.length;

const shortValue = (value: unknown): string => {
  const text = typeof value === "number" ? String(Number(value.toPrecision(5))) : JSON.stringify(value);
  return text.length > 60 ? `${text.slice(0, 57)}…` : text;
};

/** Options as the sheet and the report list them. */
const optionList = (node: HistoryNode): (readonly [string, string])[] =>
  Object.entries(node.options).map(([name, value]) => [name, shortValue(value)] as const);

/** A step's image, and what it is set beside; null for a step that makes no image of one. */
function comparedImages({ inputs, outputs }: RecipeStepDone): { readonly before: Image; readonly after: Image } | null {
  const [after] = Object.values(outputs);
  if (!isImage(after)) return null;
  // a step of several inputs (painting, putting stars back) is set beside the one that is most like its result
  const likeness = (input: Recorded) =>
    !isImage(input) ? -1 : (input.unit === after.unit ? 2 : 0) + (input.planes.length === after.planes.length ? 1 : 0);
  const before = inputs.reduce((best, each) => likeness(each) > likeness(best) ? each : best);
  return isImage(before) ? { before, after } : null;
}

/** A step as ledger, report and person want it. */
interface DocumentedStep {
  readonly ledger: LedgerEntry;
  readonly report: ReportStep;
  readonly result: RunStep;
}

/** Measure what a step did and write its result and its before/after sheet; null for a step that makes no image. */
function documentStep(
  { out, output }: NightContext,
  prefix: string,
  done: RecipeStepDone,
  index: number,
): DocumentedStep | null {
  const compared = comparedImages(done);
  if (compared === null) return null;
  const { before, after } = compared;
  const { node, outputs } = done;
  const entry = after.history.nodes.at(-1) as HistoryNode;
  const number = String(index + 1).padStart(2, "0");
  const stem = [`${prefix}${number}`, kebab(entry.step), fileName(node.channel)].filter((part) => part !== "").join(
    "-",
  );
  const { title, purpose } = findStep(node.step);
  const starless = isStarless(before);
  const meant = starless ? { ...purpose, changesStars: true } : purpose;
  const effect = comparable(before, after) ? measureEffect(before, after, meant) : null;
  const { lines, doubts } = effect === null ? { lines: [], doubts: [] } : effectLines(effect, starless);
  const drawn = beforeAfterSheet(before, after, {
    title,
    caption: [node.channel, ...entry.notes].filter((part) => part !== "").join(" · "),
    findings: { facts: lines, doubts },
  });
  output.write(`steps/${stem}.png`, encodeSheet(drawn).bytes);
  for (const [name, value] of Object.entries(outputs)) {
    if (!isImage(value)) continue;
    const own = value === after ? "" : `-${name}`;
    output.add(`steps/${stem}${own}.fits`, (path) => writeFits(path, value));
  }
  const sheet = encodeSheet(drawn, { format: "jpeg", quality: 72 });
  const facts = { title, channel: node.channel, doubts, sheet };
  return {
    ledger: { node: node.id, step: entry.step, effect },
    report: { ...facts, step: kebab(entry.step), options: optionList(entry), ledger: lines },
    result: {
      ...facts,
      id: `${prefix}${node.id}`,
      step: entry.step,
      effect,
      get image() {
        return readFits(join(out, "steps", `${stem}.fits`));
      },
    },
  };
}

/** A step in words: what it is for, and of what. */
const nameOf = ({ step, channel }: RecipeStep): string => {
  const { title } = findStep(step);
  return channel === "" ? title : `${title}, ${channel}`;
};

/**
 * Run a recipe on stacks and write what it makes. What fails is left out and said: a step, its sheet, the comparison of
 * the halves; the picture is stretched plainly when the steps that remain give none.
 *
 * @param halves the two independent halves of each stack; null when a stack has none
 * @param prefix put before file names when a run makes several pictures; `""` for the first
 */
export function finishPicture(
  context: NightContext,
  recipe: Recipe,
  stacks: Readonly<Record<string, Image>>,
  halves: StackHalves | null,
  prefix: string,
): FinishedPicture {
  const leftOut: string[] = [];
  const say = (text: string): void => {
    leftOut.push(text);
    context.remark(text);
  };
  const documented: DocumentedStep[] = [];
  const total = recipe.steps.length;
  context.progress({ label: "processing", done: 0, total });
  const visit = (done: RecipeStepDone, index: number): void => {
    const step = fenced(() => documentStep(context, prefix, done, index), (fact) => {
      say(
        `${nameOf(done.node)}: done, but its effect could not be shown, because ${fact}; look at the picture instead`,
      );
      return null;
    });
    if (step === null) return;
    documented.push(step);
    context.progress({ label: "processing", done: index + 1, total, note: step.report.title });
  };
  const carried = carryOutRecipe(recipe, stacks, visit, (node, fact) =>
    say(
      `${nameOf(node)}: left out, because ${fact}; the picture goes on without it; ` +
        "give a recipe with other options for this step, or without it, to decide otherwise",
    ));
  const made = plainPicture(carried, visit);
  if (made !== carried) {
    say(
      "the steps that could be done give no stretched picture, so it was stretched plainly; give a recipe of your own",
    );
  }
  const image = made.value;
  if (!isImage(image)) throw new TypeError(`finishPicture: result "${recipe.result}" must be an image, but is none`);
  const validation = halves === null ? null : fenced(() => compareHalves(context, image, stacks, halves), (fact) => {
    say(`the two halves of the night could not be compared, because ${fact}; the picture itself is not touched by it`);
    return null;
  });
  if (validation !== null) {
    const stem = `${prefix}${String(total + 1).padStart(2, "0")}-validate-halves`;
    context.output.write(`steps/${stem}.png`, encodeSheet(validation.sheet).bytes);
    context.output.add(`steps/${stem}.fits`, (path) => writeFits(path, validation.report.map));
  }
  const reports = documented.map(({ report }) => report);
  return {
    image,
    recipe: made.recipe,
    leftOut,
    ledger: documented.map(({ ledger }) => ledger),
    steps: validation === null ? reports : [...reports, validation.step],
    results: documented.map(({ result }) => result),
    validation: validation?.report ?? null,
  };
}

/** Share of the details that may be shown by one half only before a reader should doubt them: our own judgement. */
const muchUnconfirmed = 0.05;

/** Both halves of the night through the steps of the picture, with its stretch, and what only one of them shows. */
function compareHalves(
  context: NightContext,
  picture: Image,
  stacks: Readonly<Record<string, Image>>,
  halves: StackHalves,
): { readonly report: HalvesReport; readonly sheet: Sheet; readonly step: ReportStep } {
  const made = (["half-a", "half-b"] as const).map((half, at) => {
    context.progress({ label: "processing each half of the night", done: at, total: 2 });
    const sources = Object.entries(stacks).map(([name, stack]) => [stack.history.head, halves[name](half)] as const);
    return replayHistory(picture.history, new Map<string, Recorded>(sources)) as Image;
  });
  context.progress({ label: "processing each half of the night", done: 2, total: 2 });
  const report = validateHalves(made[0], made[1], (half) => half);
  const title = "What only one half of the night shows";
  const sheet = sideBySide([
    { title: "first half", image: made[0] },
    { title: "second half", image: made[1] },
    { title: "shown by one half only", image: report.map, caption: report.notes.join("; ") },
  ], { title, width: 1500 });
  const share = formatShare(report.unconfirmedShare);
  const step: ReportStep = {
    step: "validate-halves",
    title,
    channel: "",
    options: [],
    sheet: encodeSheet(sheet, { format: "jpeg", quality: 72 }),
    ledger: [{ quantity: "detail shown by one half only", before: "", after: share, change: "" }],
    doubts: report.unconfirmedShare > muchUnconfirmed
      ? [`${share} of the detail is shown by one half of the night only: more frames, or gentler sharpening`]
      : [],
  };
  return { report, sheet, step };
}
