/** The recipe of the workbench as text: one sentence a step, its numbers and choices free to be changed. */
import type { Json } from "../core/options.ts";
import type { StepCall } from "./messages.ts";

/** Where a value stands in a step's options: `["curve", "bend"]`. */
export type OptionPath = readonly (string | number)[];

/** A number in a sentence. */
export interface NumberPart {
  readonly kind: "number";
  /** What it is called, for a reader of the screen. */
  readonly label: string;
  readonly path: OptionPath;
  readonly unit: string;
  /** Ends of the ruler. */
  readonly range: readonly [from: number, to: number];
  /** Equal steps along the ruler, equal ratios, or levels as the strip has them. */
  readonly scale: "even" | "ratio" | "level";
  /** Whether only whole numbers count. */
  readonly whole: boolean;
}

/** A choice in a sentence. */
export interface ChoicePart {
  readonly kind: "choice";
  readonly label: string;
  readonly path: OptionPath;
  /** Words and the value that each stands for. */
  readonly choices: readonly (readonly [words: string, value: Json])[];
}

/** Words, a number or a choice; or several, shown when the family of the curve is the one named. */
export type SentencePart =
  | string
  | NumberPart
  | ChoicePart
  | { readonly kind: "family"; readonly family: string; readonly parts: readonly (string | NumberPart)[] };

/** One step as a sentence. */
export interface Sentence extends StepCall {
  /** Name of its result in the code and the recipe. */
  readonly result: string;
  /** Before the stretch, the stretch itself, or behind it. */
  readonly stage: "linear" | "stretch" | "finished";
  /** Whether it holds from the beginning. */
  readonly on: boolean;
  /** Whether it works on a scale in pixels, and so tells the truth on real pixels alone. */
  readonly needsRealPixels: boolean;
  readonly parts: readonly SentencePart[];
  /** What the library uses for an option left out. */
  readonly defaults: { readonly [name: string]: Json };
}

/** What a person has set in one sentence. */
export interface SentenceState {
  readonly on: boolean;
  readonly options: { readonly [name: string]: Json };
}

/** What a person has set, in the order of the sentences. */
export type WorkbenchState = readonly SentenceState[];

/** How the sentences stand in the beginning. */
export const initialState = (sentences: readonly Sentence[]): WorkbenchState =>
  sentences.map(({ on, options }) => ({ on, options }));

/** The value at a place of some options; undefined where there is none. */
export function optionAt(options: Json, path: OptionPath): Json | undefined {
  let value: Json | undefined = options;
  for (const key of path) value = (value as Record<string | number, Json> | undefined)?.[key];
  return value;
}

/** Options with another value at a place. */
export function withOption(options: Json, path: OptionPath, value: Json): Json {
  if (path.length === 0) return value;
  const [key, ...rest] = path;
  const changed = withOption((options as Record<string | number, Json>)[key], rest, value);
  if (Array.isArray(options)) return options.map((each, at) => at === key ? changed : each);
  return { ...(options as { readonly [name: string]: Json }), [key]: changed };
}

/** The sentences that hold, as calls of one stage or several. */
export function callsOf(
  sentences: readonly Sentence[],
  state: WorkbenchState,
  holds: (sentence: Sentence) => boolean,
): readonly StepCall[] {
  return sentences.flatMap((sentence, at) =>
    state[at].on && holds(sentence)
      ? [{ step: sentence.step, options: state[at].options, output: sentence.output }]
      : []
  );
}
