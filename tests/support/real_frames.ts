/** Real frames kept beside the repository; tests that need them say so and skip when they are not there. */
import { existsSync } from "node:fs";
import { join } from "node:path";
import { openData } from "./open_data.ts";

/** Path of a file of the open data; `""` when the data are not there. */
export const realFrame = (path: string): string => openData === null ? "" : join(openData, path);

/** Whether the file is missing; says so. */
export function missingFrame(path: string): boolean {
  const missing = openData === null || !existsSync(join(openData, path));
  if (missing) console.log(`skipped: open data ${path} not found beside the repository`);
  return missing;
}
