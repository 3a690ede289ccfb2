/** The command line: understands the words, calls the library, says what happened. It holds no logic of the work. */
import { mkdirSync, readdirSync, readFileSync, statSync, writeFileSync } from "node:fs";
import { join, relative } from "node:path";
import process from "node:process";
import "../host/deno.ts";
import { plainText } from "../core/plain_text.ts";
import { checkpointFolder } from "../io/checkpoints.ts";
import { closePool, setWorkerCount } from "../parallel/pool.ts";
import { rerunPicture } from "../pipeline/rerun_picture.ts";
import { type NightRun, runNight } from "../pipeline/run_night.ts";
import { watchNight } from "../pipeline/watch_night.ts";
import { parseRecipe } from "../pipeline/recipe.ts";
import { type Command, parseCommand, UsageError, usageText } from "./arguments.ts";
import { progressLine } from "./progress_line.ts";
import { clockTime, standingLine, watchLine } from "./watch_lines.ts";

/** Exit codes, as the help of `night` and `rerun` lists them. */
const exitCode = { done: 0, failed: 1, usage: 2, nothingUsable: 3, differentBytes: 4 } as const;

/** A line below a heading. */
const say = (line: string): void => console.log(`  ${plainText(line)}`);

function tell(outcome: NightRun, out: string): void {
  console.log("");
  for (const line of outcome.summary) say(line);
  if (outcome.files.length > 0) console.log("\nLook at:");
  for (const { file, meaning } of outcome.files) {
    say(`${relative(process.cwd(), join(out, file))}  ${meaning}`);
  }
}

function night(command: Command, source: string, out: string): NightRun {
  const line = progressLine();
  try {
    const outcome = runNight(source, {
      out,
      recipe: command.recipe === null ? null : parseRecipe(readFileSync(command.recipe, "utf8"), command.recipe),
      decisions: command.decisions,
      progress: line.progress,
      remark: (text) => {
        line.end();
        say(text);
      },
    });
    line.end();
    return outcome;
  } finally {
    line.end();
  }
}

function demo(command: Command): number {
  const nights = readdirSync(command.source).filter((name) => statSync(join(command.source, name)).isDirectory())
    .sort();
  const began = performance.now();
  for (const name of nights) {
    console.log(`\nThe night of the rig "${name}"`);
    const out = join(command.out, name);
    tell(night(command, join(command.source, name), out), out);
  }
  console.log(`\nDone in ${Math.round((performance.now() - began) / 1000)} s.`);
  return exitCode.done;
}

function rerun(command: Command): number {
  const line = progressLine();
  const outcome = rerunPicture(command.source, command.topic, {
    out: command.out,
    progress: line.progress,
    remark: (text) => {
      line.end();
      say(text);
    },
  });
  line.end();
  tell(outcome, command.out);
  return outcome.sameBytes ? exitCode.done : exitCode.differentBytes;
}

/** Seconds between two looks at a watched folder: a file is judged at the second look that finds it unchanged. */
const lookEverySeconds = 3;

/** Watch a folder until Ctrl-C or until it has been quiet for long enough. */
async function watch(command: Command): Promise<number> {
  const watching = watchNight(command.source);
  const wake: (() => void)[] = [];
  let stopped = false;
  const stop = () => {
    stopped = true;
    wake.forEach((each) => each());
  };
  for (const signal of ["SIGINT", "SIGTERM"] as const) process.on(signal, stop);
  console.log(`Watching ${command.source}; Ctrl-C ends it.`);
  const quietMs = (command.untilQuietMinutes ?? Infinity) * 60000;
  while (!stopped) {
    const now = performance.now();
    const look = watching.look(now);
    const { waiting } = look;
    const time = clockTime(new Date());
    const columns = process.stdout.isTTY === true ? process.stdout.columns ?? 100 : null;
    if (columns !== null) process.stdout.write("\r\x1b[2K");
    for (const news of look.news) console.log(watchLine(news, time, columns));
    if (columns !== null) {
      process.stdout.write(standingLine(watching.standing(), look, time).slice(0, columns - 1));
    }
    if (waiting === 0 && now - watching.lastChange() > quietMs) break;
    // a turn for the signals, and a pause when there is nothing to do
    await new Promise<void>((resolve) => {
      const timer = setTimeout(resolve, waiting > 0 ? 0 : 1000 * lookEverySeconds);
      wake.splice(0, wake.length, () => {
        clearTimeout(timer);
        resolve();
      });
    });
  }
  console.log("");
  for (const line of watching.summary()) say(line);
  if (watching.standing().kept === 0) return exitCode.nothingUsable;
  console.log(`\nTo go on to the picture:\n  deno task night ${command.source} --out DIR`);
  return exitCode.done;
}

function main(): number | Promise<number> {
  const command = parseCommand(process.argv.slice(2));
  if (command.name === "help") {
    console.log(usageText(command.topic));
    return exitCode.done;
  }
  if (command.workers !== null) setWorkerCount(command.workers);
  if (command.name === "demo") return demo(command);
  if (command.name === "rerun") return rerun(command);
  if (command.watch) return watch(command);
  const outcome = night(command, command.source, command.out);
  tell(outcome, command.out);
  return outcome.usableFrames > 0 ? exitCode.done : exitCode.nothingUsable;
}

/** What stands in a sentence for what the system refused. */
const systemFaults: Readonly<Record<string, string>> = {
  ENOSPC: "the disk is full; free some space, or name another folder with --out, and give the command again",
  EROFS: "the folder for the results cannot be written to; name another one with --out",
  EACCES: "a file or folder may not be used by you; change its rights, or name another folder",
  EMFILE: "too many files are open; close other programs and give the command again",
};

/** Leave the trace of an unexpected error among the kept answers; null where nothing may be written. */
function keepTrace(error: unknown): string | null {
  try {
    const [out] = parseCommand(process.argv.slice(2)).writes;
    if (out === undefined) return null;
    const path = join(out, checkpointFolder, "error.txt");
    mkdirSync(join(out, checkpointFolder), { recursive: true });
    writeFileSync(path, `${error instanceof Error ? error.stack ?? error.message : String(error)}\n`);
    return relative(process.cwd(), path);
  } catch {
    return null; // the disk may be what failed
  }
}

/** The sentence of an error: what happened and what to do. */
function sentenceOf(error: unknown): string {
  if (!(error instanceof Error)) return `stopped, because ${String(error)}`;
  if (error instanceof UsageError || error instanceof SyntaxError || error.name === "FrameError") return error.message;
  const { code } = error as { readonly code?: unknown };
  const fault = typeof code === "string" && Object.hasOwn(systemFaults, code) ? systemFaults[code] : undefined;
  if (fault !== undefined) return `stopped, because ${fault} (${error.message.split("\n")[0]})`;
  if (error instanceof RangeError && !/^(Invalid|Maximum|Array buffer) /.test(error.message)) return error.message;
  const trace = keepTrace(error);
  return `stopped by an error of Faintlight itself: ${
    error.message.split("\n")[0]
  }; give the command again, finished ` +
    `work is kept${trace === null ? "" : `; if it stops there again, report it with the file ${trace}`}`;
}

try {
  process.exitCode = await main();
} catch (error) {
  console.error(`\n${sentenceOf(error).split("\n").map(plainText).join("\n")}`);
  process.exitCode = error instanceof UsageError ? exitCode.usage : exitCode.failed;
} finally {
  closePool();
}
