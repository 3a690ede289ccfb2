/**
 * Where results of a night go when nobody says: below the project or the working directory, never beside raw frames.
 */
import { existsSync } from "node:fs";
import { basename, dirname, join, resolve } from "node:path";
import process from "node:process";
import { liesWithin } from "./paths.ts";

/** The nearest folder upwards that holds a project's configuration; the working directory without one. */
function projectFolder(): string {
  const start = process.cwd();
  for (let folder = start;; folder = dirname(folder)) {
    if (["deno.json", "deno.jsonc", "package.json"].some((name) => existsSync(join(folder, name)))) return folder;
    if (dirname(folder) === folder) return start;
  }
}

/**
 * The output folder of a night.
 *
 * @param folder the night's folder
 * @param out the folder the person named, or "automatic": `output/<name of the night's folder>` of the project, or of
 * the working directory
 * @throws {RangeError} if results would lie among the raw frames
 */
export function outputFolder(folder: string, out: string): string {
  if (out !== "automatic") return out;
  const night = resolve(folder);
  const path = join(projectFolder(), "output", basename(night));
  if (liesWithin(path, night)) {
    throw new RangeError(
      `${path}: results must not lie among the raw frames of ${night}; name another folder with the option out`,
    );
  }
  return path;
}
