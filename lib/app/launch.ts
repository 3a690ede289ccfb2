/**
 * Starts the command line with no more rights than the job needs: read the night's folder and the library, write the
 * output folder, nothing else; no network, no other programs.
 */
import { spawn } from "node:child_process";
import { mkdirSync, realpathSync } from "node:fs";
import { dirname, resolve } from "node:path";
import process from "node:process";
import { fileURLToPath } from "node:url";
import { rasteriserFiles } from "../view/rasteriser.ts";
import { type Command, parseCommand, UsageError, usageText } from "./arguments.ts";

const lib = fileURLToPath(new URL("../", import.meta.url));
const project = dirname(resolve(lib));

/** The flags of the child process for a command. */
export function permissionFlags(command: Command): string[] {
  const cache = process.env.DENO_DIR;
  const packages = [...rasteriserFiles(), ...(cache === undefined ? [] : [cache])];
  const read = [project, ...command.reads, ...command.writes, ...packages];
  const flags = ["--no-prompt", "--allow-sys=statfs,hostname", `--allow-read=${read.join(",")}`];
  if (command.writes.length > 0) flags.push(`--allow-write=${command.writes.join(",")}`);
  return flags;
}

/** Make the output folder, so that its rights can be given by its real path. */
function settleFolders(command: Command): Command {
  for (const folder of command.writes) {
    try {
      mkdirSync(folder, { recursive: true });
    } catch (error) {
      const { code } = error as { readonly code?: string };
      const fact = code === "EEXIST" || code === "ENOTDIR"
        ? "is a file, or lies below one"
        : `cannot be made (${(error as Error).message})`;
      throw new UsageError(`--out: ${folder} must be a folder, but ${fact}; name another one`);
    }
  }
  return { ...command, writes: command.writes.map((folder) => realpathSync(folder)) };
}

function launch(): void {
  const given = process.argv.slice(2);
  let command: Command;
  try {
    command = settleFolders(parseCommand(given));
  } catch (error) {
    if (!(error instanceof UsageError)) throw error;
    console.error(error.message);
    process.exitCode = 2;
    return;
  }
  if (command.name === "help") {
    console.log(usageText(command.topic));
    return;
  }
  const main = fileURLToPath(new URL("./main.ts", import.meta.url));
  const flags = ["run", "--quiet", "--frozen", ...permissionFlags(command)];
  const child = spawn(process.execPath, [...flags, main, ...given], { stdio: "inherit" });
  // Ctrl-C reaches the child as well; the launcher stays to pass on how it ended.
  for (const signal of ["SIGINT", "SIGTERM"] as const) process.on(signal, () => child.kill(signal));
  child.on("close", (code, signal) => process.exit(signal === null ? code ?? 1 : 130));
}

if (import.meta.main) launch();
