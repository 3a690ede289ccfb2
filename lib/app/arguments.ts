/** The command line's words: what may be said, and what a command may read and write. */
import { existsSync, statSync } from "node:fs";
import { resolve } from "node:path";
import { parseArgs } from "node:util";
import { fileURLToPath } from "node:url";

/** The command was not understood; the message says how to say it. */
export class UsageError extends Error {}

/** A command, understood. */
export interface Command {
  /** What to do. */
  readonly name: "demo" | "night" | "rerun" | "help";
  /** For help: which command it is about. */
  readonly topic: string;
  /** Folders and files it reads, absolute. */
  readonly reads: readonly string[];
  /** Folders it writes, absolute. */
  readonly writes: readonly string[];
  /** The night's folder, or the picture to repeat. */
  readonly source: string;
  /** Where results go. */
  readonly out: string;
  /** Worker threads; null to use every processor. */
  readonly workers: number | null;
  /** Recipe file; null for the one that the filters call for. */
  readonly recipe: string | null;
  /** For night: watch the folder while the frames come in, instead of making the picture. */
  readonly watch: boolean;
  /** For a watch: minutes without a new file after which it ends; null to go on until it is stopped. */
  readonly untilQuietMinutes: number | null;
  /** File of decisions about single lights; null for none. */
  readonly decisions: string | null;
}

const project = fileURLToPath(new URL("../../", import.meta.url)).replace(/\/$/, "");

const usage: Readonly<Record<string, string>> = {
  "": `deno task demo                          the whole job on the two nights in demo-data/
deno task night FOLDER --out DIR        the whole job on your own folder of FITS frames
deno task night FOLDER --watch          judge each frame as it comes in, while the night runs
deno task rerun PICTURE --from FOLDER --out DIR   repeat a picture from the record inside it

deno task night --help says more about one of them.`,
  demo: `deno task demo [--out DIR] [--workers N]

Runs the whole job on the two small nights in demo-data/ and says where the pictures are.
  --out DIR      where results go (default: output/ in the project)
  --workers N    worker threads (default: one a processor; 0 uses none)`,
  night: `deno task night FOLDER --out DIR [--workers N] [--recipe FILE] [--decisions FILE]

Checks, calibrates, stacks and finishes a folder of raw FITS frames (subfolders included).
Nothing in FOLDER is changed. Calibration frames are found by their headers.
  --out DIR        where results go; an empty or new folder, or one where an earlier run was stopped
  --workers N      worker threads (default: one a processor; 0 uses none); the result does not depend on it
  --recipe FILE    processing steps as JSON, like the "recipe" part of a record.json
  --decisions FILE what you decide about single lights, one a line: keep, down-weight or reject, the file as
                   frames.csv names it, and behind a # why. Given again with the same --out, only what
                   the decisions change is worked out anew

With --watch nothing is written: every new frame in FOLDER is measured as soon as it is whole and compared with
those before it, and what goes wrong is said at once, with what helps. Darks, flats and masters in FOLDER are
used as soon as they are there. Ctrl-C ends the watch and sums up.
  --until-quiet MINUTES  end by itself when no new file has come for so long

A run that was stopped (Ctrl-C, power cut) continues where it was when the same command is given again.
Exit codes: 0 done, 1 failed, 2 command not understood, 3 no usable frames, 130 stopped.`,
  rerun: `deno task rerun PICTURE --from FOLDER --out DIR [--workers N]

Repeats a picture from the record inside it (a picture.png or a record.json) with the frames in FOLDER and says
whether the bytes agree.
Exit codes: 0 the same bytes, 4 different bytes, otherwise as for a night.`,
};

/** What can be said, in general or of one command. */
export function usageText(topic: string): string {
  return usage[topic] ?? usage[""];
}

function existing(what: string, path: string, kind: "folder" | "file"): string {
  const full = resolve(path);
  if (!existsSync(full)) {
    throw new UsageError(`${what}: ${path} does not exist; check the spelling and the current folder`);
  }
  const isFolder = statSync(full).isDirectory();
  if (isFolder !== (kind === "folder")) {
    throw new UsageError(`${what}: ${path} must be a ${kind}, but is a ${isFolder ? "folder" : "file"}`);
  }
  return full;
}

/** The words behind a command's name: those with dashes by name, and the others. */
function parseWords(name: string, words: readonly string[]) {
  try {
    return parseArgs({
      args: [...words],
      allowPositionals: true,
      options: {
        out: { type: "string" },
        from: { type: "string" },
        workers: { type: "string" },
        recipe: { type: "string" },
        workflow: { type: "string" }, // the older word for --recipe
        watch: { type: "boolean" },
        "until-quiet": { type: "string" },
        decisions: { type: "string" },
        help: { type: "boolean", short: "h" },
      },
    });
  } catch (error) {
    throw new UsageError(`${(error as Error).message}\n\n${usageText(name)}`);
  }
}

type Values = ReturnType<typeof parseWords>["values"];

function parseWorkers({ workers }: Values): number | null {
  if (workers === undefined) return null;
  const count = Number(workers);
  if (!(Number.isInteger(count) && count >= 0 && count <= 64)) {
    throw new UsageError(`--workers must be a whole number from 0 to 64, but got "${workers}"`);
  }
  return count;
}

function parseQuietMinutes({ "until-quiet": text, watch }: Values): number | null {
  if (text === undefined) return null;
  const minutes = Number(text);
  if (!(minutes > 0)) throw new UsageError(`--until-quiet must be a number of minutes above 0, but got "${text}"`);
  if (watch !== true) throw new UsageError("--until-quiet belongs to --watch");
  return minutes;
}

const optionalFile = (option: string, path: string | undefined): string | null =>
  path === undefined ? null : existing(option, path, "file");

/** The folder that results go to, which a night and a rerun have to name. */
function requireOut(name: string, values: Values, place: string | undefined): string {
  if (values.out === undefined) {
    throw new UsageError(`${name}: say where results go with --out DIR\n\n${usageText(name)}`);
  }
  if (place === undefined) throw new UsageError(`${name}: what to work on is missing\n\n${usageText(name)}`);
  return resolve(values.out);
}

/** A night that is watched: nothing is written. */
function parseWatch(blank: Command, values: Values, place: string | undefined): Command {
  if (place === undefined) throw new UsageError(`night: the folder to watch is missing\n\n${usageText("night")}`);
  const source = existing("night", place, "folder");
  const untilQuietMinutes = parseQuietMinutes(values);
  return { ...blank, name: "night", source, watch: true, untilQuietMinutes, recipe: null, reads: [source] };
}

/** A night from its folder to the picture. */
function parseNight(blank: Command, values: Values, place: string | undefined): Command {
  const out = requireOut("night", values, place);
  const source = existing("night", place ?? "", "folder");
  if (`${out}/`.startsWith(`${source}/`)) {
    throw new UsageError(
      `--out: ${values.out} must not lie inside the night's folder, or results would be read as frames; ` +
        "name another folder",
    );
  }
  const decisions = optionalFile("--decisions", values.decisions);
  const also = [blank.recipe, decisions].filter((each) => each !== null);
  return { ...blank, name: "night", source, out, decisions, reads: [source, ...also], writes: [out] };
}

/** A picture made once more from its record. */
function parseRerun(blank: Command, values: Values, place: string | undefined): Command {
  const out = requireOut("rerun", values, place);
  if (values.from === undefined) throw new UsageError("rerun: say where the frames are with --from FOLDER");
  const source = existing("rerun", place ?? "", "file");
  const frames = existing("--from", values.from, "folder");
  return { ...blank, name: "rerun", source, out, topic: frames, reads: [source, frames], writes: [out] };
}

/** The nights that ship. */
function parseDemo(blank: Command, values: Values): Command {
  const out = resolve(values.out ?? `${project}/output`);
  const also = blank.recipe === null ? [] : [blank.recipe];
  return { ...blank, name: "demo", source: `${project}/demo-data`, out, reads: also, writes: [out] };
}

/** Refuse what does not belong to the command. */
function requireBelonging(name: string, values: Values, positionals: readonly string[]): void {
  if (!["demo", "night", "rerun"].includes(name)) throw new UsageError(`unknown command "${name}"\n\n${usageText("")}`);
  if (values.watch === true && name !== "night") throw new UsageError(`--watch belongs to night, not to ${name}`);
  if (values.watch !== true) parseQuietMinutes(values);
  const spare = positionals.slice(name === "demo" ? 0 : 1);
  if (spare.length > 0) throw new UsageError(`unexpected: ${spare.join(" ")}\n\n${usageText(name)}`);
  if (values.decisions !== undefined && name !== "night") {
    throw new UsageError(`${name}: --decisions goes with night\n\n${usageText(name)}`);
  }
}

/**
 * Understand the words behind `deno task`.
 *
 * @throws {UsageError} if they cannot be understood
 */
export function parseCommand(words: readonly string[]): Command {
  const [name = "", ...rest] = words;
  const { values, positionals } = parseWords(name, rest);
  const blank: Command = {
    name: "help",
    topic: name,
    reads: [],
    writes: [],
    source: "",
    out: "",
    workers: null,
    recipe: null,
    watch: false,
    untilQuietMinutes: null,
    decisions: null,
  };
  if (values.help || name === "" || name === "help") return blank;
  requireBelonging(name, values, positionals);
  const recipe = optionalFile("--recipe", values.recipe ?? values.workflow);
  const common = { ...blank, workers: parseWorkers(values), recipe };
  const place = positionals[0];
  if (name === "demo") return parseDemo(common, values);
  if (name === "rerun") return parseRerun(common, values, place);
  return values.watch === true ? parseWatch(common, values, place) : parseNight(common, values, place);
}
