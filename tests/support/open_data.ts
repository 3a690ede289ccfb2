/**
 * Public sample files that are too many, or not free enough, to be part of the project: a folder `open-data` beside
 * it.
 */
import process from "node:process";
import { existsSync, readdirSync } from "node:fs";
import { dirname, join } from "node:path";
import { fileURLToPath } from "node:url";

const root = dirname(dirname(dirname(fileURLToPath(import.meta.url))));

function look(): string | null {
  const given = process.env.FAINTLIGHT_OPEN_DATA;
  if (given !== undefined && given !== "") return existsSync(given) ? given : null;
  const around = dirname(root);
  try {
    for (const name of readdirSync(around)) {
      const folder = join(around, name, "open-data");
      if (existsSync(join(folder, "fits-conformance"))) return folder;
    }
  } catch {
    return null; // not ours to look at
  }
  return null;
}

/**
 * The folder with public sample files, null where there is none: set FAINTLIGHT_OPEN_DATA to name it. Tests that need
 * it skip and say so.
 */
export const openData: string | null = look();

/** Say on the console that checks are left out for want of the sample files. */
export function tellSkipped(what: string): void {
  if (openData === null) console.log(`skipped: ${what} (no folder with public sample files; set FAINTLIGHT_OPEN_DATA)`);
}

/** Path of one sample file, whether it is there or not. */
export const openDataPath = (file: string): string => join(openData ?? "open-data", file);

/** Whether a sample file is missing; says so on the console. */
export function missingData(file: string): boolean {
  const missing = openData === null || !existsSync(openDataPath(file));
  if (missing) console.log(`skipped: sample file ${file} is not there; set FAINTLIGHT_OPEN_DATA`);
  return missing;
}
