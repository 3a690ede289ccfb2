/**
 * The files that a run leaves for the person, each with its digest: a later run into the same folder knows what was
 * damaged since, and takes away what it did not make itself.
 */
import { existsSync, rmdirSync, rmSync } from "node:fs";
import { dirname, join } from "node:path";
import { checkpointFolder } from "./checkpoints.ts";
import { placeWhole, type WholeContent, writeWhole } from "./write_whole.ts";
import { isAsWritten, readSealed, writeSealed, type WrittenFile, writtenFile } from "./written_file.ts";

/** Files of an output folder, by their path in it. */
export interface OutputFiles {
  /** Files of earlier runs that are not as they were left: missing, cut or changed. */
  readonly damaged: () => readonly string[];
  /** Write a file, see `writeWhole`. */
  readonly write: (name: string, content: WholeContent) => void;
  /** Let a file appear, see `placeWhole`. */
  readonly place: (from: string, name: string) => void;
  /** Let `make` write a file, given its whole path. */
  readonly add: (name: string, make: (path: string) => void) => void;
  /** Take away what earlier runs left and this one did not make; gives their names. */
  readonly removeOthers: () => readonly string[];
}

/** The files of an output folder; nothing is read before it is asked for. */
export function outputFiles(out: string): OutputFiles {
  const path = join(out, checkpointFolder, "outputs.json");
  let known: Record<string, WrittenFile> | null = null;
  const made = new Set<string>();

  const files = (): Record<string, WrittenFile> => {
    if (known !== null) return known;
    const found = readSealed(path);
    return known = typeof found === "string" ? {} : JSON.parse(found.text);
  };
  const keep = (): void => writeSealed(path, JSON.stringify(files()));

  const add: OutputFiles["add"] = (name, make) => {
    make(join(out, name));
    made.add(name);
    files()[name] = writtenFile(join(out, name));
    keep();
  };

  const removeOthers: OutputFiles["removeOthers"] = () => {
    const others = Object.keys(files()).filter((name) => !made.has(name));
    if (others.length === 0) return [];
    for (const name of others) {
      rmSync(join(out, name), { force: true });
      delete files()[name];
      removeIfEmpty(out, dirname(name));
    }
    keep();
    return others;
  };

  return {
    damaged: () =>
      Object.entries(files()).filter(([name, file]) => !isAsWritten(join(out, name), file)).map(([name]) => name),
    write: (name, content) => add(name, (whole) => writeWhole(whole, content)),
    place: (from, name) => add(name, (whole) => placeWhole(from, whole)),
    add,
    removeOthers,
  };
}

/** Take away a folder that holds nothing any more. */
function removeIfEmpty(out: string, folder: string): void {
  if (folder === "." || !existsSync(join(out, folder))) return;
  try {
    rmdirSync(join(out, folder));
  } catch {
    // something of the person's lies in it
  }
}
