/**
 * Starts the command line with no more rights than the job needs: read the night's folder and the library, write the
 * output folder, nothing else; no network, no modules from it but the packages of the lock file, no other programs.
 */
import { spawn } from "node:child_process";
import { copyFileSync, mkdirSync, mkdtempSync, readFileSync, realpathSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { dirname, join, resolve } from "node:path";
import process from "node:process";
import { fileURLToPath } from "node:url";
import { liesWithin } from "../io/paths.ts";
import { rasteriserFiles } from "../view/rasteriser.ts";
import { type Command, parseCommand, UsageError, usageText } from "./arguments.ts";

const lib = fileURLToPath(new URL("../", import.meta.url));
const project = dirname(resolve(lib));

/** What a command may do, by name of the right, as a permission set of Deno's configuration lists it. */
interface Rights {
  readonly read: readonly string[];
  readonly write: readonly string[];
  readonly sys: readonly string[];
}

function rightsOf({ reads, writes }: Command): Rights {
  const cache = process.env.DENO_DIR;
  const packages = [...rasteriserFiles(), ...(cache === undefined ? [] : [cache])];
  return { read: [project, ...reads, ...writes, ...packages], write: writes, sys: ["statfs", "hostname"] };
}

/** The flags of the child process for a command. */
export function permissionFlags(command: Command): string[] {
  const rights = Object.entries(rightsOf(command)).filter(([, values]) => values.length > 0);
  return ["--no-prompt", "--deny-import", ...rights.map(([name, values]) => `--allow-${name}=${values.join(",")}`)];
}

/**
 * The flags that give the same rights where the name of a folder holds a comma, at which Deno parts a flag's value: a
 * configuration of its own, which lists them. Packages are taken from a copy of the lock file, digests included.
 *
 * @param folder where the configuration is written
 */
export function permissionFlagsByFile(command: Command, folder: string): string[] {
  const { imports, nodeModulesDir } = JSON.parse(readFileSync(join(project, "deno.json"), "utf8"));
  const packages = Object.entries<string>(imports).filter(([, target]) => target.startsWith("npm:"));
  const lock = { path: join(folder, "deno.lock"), frozen: false };
  copyFileSync(join(project, "deno.lock"), lock.path);
  const permissions = { job: { ...rightsOf(command), import: false } };
  const config = join(folder, "deno.json");
  writeFileSync(config, JSON.stringify({ nodeModulesDir, imports: Object.fromEntries(packages), lock, permissions }));
  return ["--no-prompt", `--config=${config}`, "--permission-set=job"];
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
  const writes = command.writes.map((folder) => realpathSync(folder));
  const source = command.name === "night" ? realpathSync(command.source) : null;
  const inside = writes.find((folder) => source !== null && liesWithin(folder, source));
  if (inside !== undefined) {
    throw new UsageError(
      `--out: must not lie inside the night's folder, but leads to ${inside}; name another folder`,
    );
  }
  return { ...command, writes };
}

/** Start the command with its rights alone, and end as it ends. */
function start(command: Command, words: readonly string[]): void {
  const main = fileURLToPath(new URL("./main.ts", import.meta.url));
  const holdsComma = Object.values(rightsOf(command)).flat().some((value) => value.includes(","));
  const own = holdsComma ? mkdtempSync(join(tmpdir(), "faintlight-")) : null;
  const flags = own === null ? ["--frozen", ...permissionFlags(command)] : permissionFlagsByFile(command, own);
  const child = spawn(process.execPath, ["run", "--quiet", ...flags, main, ...words], { stdio: "inherit" });
  // Ctrl-C reaches the child as well; the launcher stays to pass on how it ended.
  for (const signal of ["SIGINT", "SIGTERM"] as const) process.on(signal, () => child.kill(signal));
  child.on("close", (code, signal) => {
    if (own !== null) rmSync(own, { recursive: true });
    process.exit(signal === null ? code ?? 1 : 130);
  });
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
  if (command.name === "help") console.log(usageText(command.topic));
  else start(command, given);
}

if (import.meta.main) launch();
