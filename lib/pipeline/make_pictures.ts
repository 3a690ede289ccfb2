/** From the stacks of a night to its pictures: one a rig, each with its record inside. */
import type { Image } from "../core/image.ts";
import type { OutputFiles } from "../io/output_files.ts";
import { encodePng16 } from "../io/png.ts";
import { captionPicture } from "../view/caption_picture.ts";
import type { EncodedPicture } from "../view/sheet.ts";
import { defaultRecipe, unusedStacks } from "./default_recipe.ts";
import { fenced } from "./fence.ts";
import { type FinishedPicture, finishPicture } from "./finish_picture.ts";
import type { NightState } from "./night.ts";
import { safeName } from "./night_context.ts";
import { pictureRegion } from "./picture_region.ts";
import type { Recipe } from "./recipe.ts";
import { recordText } from "./record.ts";
import { partFile, type StackedNight, stackParts } from "./stack_lights.ts";

/** Stacks that go into one picture: those of one rig, by channel. */
interface PictureGroup {
  readonly rig: string;
  readonly stacks: readonly StackedNight[];
}

/** The pictures of a run. */
export interface MadePictures {
  /** The pictures and what each step did. */
  readonly finished: readonly FinishedPicture[];
  /** The first of them, small, with a caption; null without a stack. */
  readonly web: EncodedPicture | null;
  /** Files made, with their meaning. */
  readonly files: readonly (readonly [string, string])[];
}

/** Notes how long a part of the work took. */
export type Stopwatch = <T>(name: string, work: () => T) => T;

/** One group a rig, the one with the longest exposure first; in it, the stack with the longest exposure first. */
function pictureGroups(stacks: readonly StackedNight[]): PictureGroup[] {
  const rigs = [...new Set(stacks.map((stack) => stack.rig))];
  const exposure = (group: PictureGroup) => group.stacks.reduce((sum, stack) => sum + stack.totalExposureSeconds, 0);
  return rigs.map((rig) => ({
    rig,
    stacks: stacks.filter((stack) => stack.rig === rig).sort((a, b) => b.totalExposureSeconds - a.totalExposureSeconds),
  })).sort((a, b) => exposure(b) - exposure(a));
}

const longDate = (session: string): string => {
  const [year, month, day] = session.split("-").map(Number);
  const names = "January February March April May June July August September October November December".split(" ");
  return month >= 1 ? `${day} ${names[month - 1]} ${year}` : session;
};

function caption(image: Image, group: PictureGroup): EncodedPicture {
  const lights = group.stacks.flatMap((stack) => stack.lights);
  return captionPicture(image, {
    object: lights.map((light) => light.record.object).find((name) => name !== "") ?? "",
    totalExposureSeconds: group.stacks.reduce((sum, stack) => sum + stack.totalExposureSeconds, 0),
    filters: group.stacks.map((stack) => ({ name: stack.channel, seconds: stack.totalExposureSeconds })),
    rig: group.rig,
    date: longDate(lights.map((light) => light.record.session).find((session) => session !== "") ?? ""),
  });
}

/** Let the stacks appear where the output contract wants them. */
export function placeStacks(output: OutputFiles, stacks: readonly StackedNight[]): void {
  for (const stack of stacks) {
    for (const part of stackParts) output.place(stack.pathOf(part), `stacks/${partFile(stack.name, part)}`);
  }
}

/** Run the recipe on the stacks of each rig and write picture, small picture and record. */
export function makePictures(
  state: NightState,
  stacks: readonly StackedNight[],
  given: Recipe | null,
  time: Stopwatch,
): MadePictures {
  const { output, remark } = state.context;
  const files: [string, string][] = [];
  const finished: FinishedPicture[] = [];
  let web: EncodedPicture | null = null;
  pictureGroups(stacks).forEach((group, index) => {
    const prefix = index === 0 ? "" : `${safeName(group.rig)}-`;
    const picture = fenced(() => {
      const recipe = given ?? recipeFor(state, group);
      remarkUnused(state, group, recipe);
      return time(`process ${group.rig}`, () => processGroup(state, group, recipe, prefix));
    }, (fact) => {
      remark(`no picture of ${group.rig || "the night"}, because ${fact}; its stacks are there to be finished by hand`);
      return null;
    });
    if (picture === null) return;
    const record = time(`record ${group.rig}`, () => recordOf(state, stacks, picture));
    time(`export ${group.rig}`, () => {
      output.write(`${prefix}picture.png`, encodePng16(picture.image, { record }));
      output.write(`${prefix}record.json`, record);
    });
    files.push([`${prefix}picture.png`, "the finished picture, 16 bits, with the record of how it was made inside"]);
    const small = time(`caption ${group.rig}`, () =>
      fenced(() => caption(picture.image, group), (fact) => {
        remark(`no small picture with a caption, because ${fact}; ${prefix}picture.png is whole`);
        return null;
      }));
    if (small !== null) {
      output.write(`${prefix}picture-web.jpg`, small.bytes);
      files.push([`${prefix}picture-web.jpg`, "a small one with a caption, to show around"]);
      if (index === 0) web = small;
    }
    finished.push(picture);
  });
  return { finished, web, files };
}

/** Filter in front of the group's colour sensor, `""` for none. */
const colourFilterOf = ({ stacks }: PictureGroup): string =>
  stacks.find(({ channel }) => channel === "colour")?.lights[0].record.filter ?? "";

const recipeFor = ({ context }: NightState, group: PictureGroup): Recipe =>
  defaultRecipe(group.stacks.map((stack) => stack.channel), pictureRegion(context, group.stacks), {
    colourFilter: colourFilterOf(group),
  });

/** Say which stacks a picture does without. */
function remarkUnused({ context }: NightState, { stacks }: PictureGroup, recipe: Recipe): void {
  const unused = unusedStacks(recipe, stacks.map((stack) => stack.channel));
  if (unused.length === 0) return;
  const stacksAre = unused.length === 1 ? "its stack is" : "their stacks are";
  context.remark(
    `the picture "${recipe.name}" makes no use of ${
      unused.join(", ")
    }; ${stacksAre} in stacks/, and a recipe of your ` +
      "own (--recipe) can name it",
  );
}

function processGroup({ context }: NightState, { stacks }: PictureGroup, recipe: Recipe, prefix: string) {
  const images = Object.fromEntries(stacks.map((stack) => [stack.channel, stack.read("")]));
  const halves = stacks.every((stack) => stack.hasHalves)
    ? Object.fromEntries(stacks.map((stack) => [stack.channel, stack.read]))
    : null;
  return finishPicture(context, recipe, images, halves, prefix);
}

function recordOf(
  { context, list, decisions, checked }: NightState,
  stacks: readonly StackedNight[],
  picture: FinishedPicture,
): string {
  return recordText({
    inputs: list.records.map(({ file, kind }) => ({ file, kind, sha256: context.digests.get(file) ?? "" })),
    decisions,
    lights: checked.lights,
    stacks,
    recipe: picture.recipe,
    picture: picture.image,
    ledger: picture.ledger,
    unconfirmedShare: picture.validation?.unconfirmedShare ?? null,
  });
}
