/** One remark for all files that it holds for. */

/** A fact about a file. */
export interface FileRemark {
  /** Path within the night. */
  readonly file: string;
  /** The fact. */
  readonly text: string;
}

/** `lights/a.fits`, or `lights/a.fits … lights/c.fits (3 files)`. */
export const filesInWords = (files: readonly string[]): string =>
  files.length === 1 ? files[0] : `${files[0]} … ${files.at(-1)} (${files.length} files)`;

/** Say each fact once, for all files that it is true of, in the order of their first file. */
export function remarkOnFiles(remark: (text: string) => void, told: readonly FileRemark[]): void {
  for (const [text, files] of Map.groupBy(told, (each) => each.text)) {
    remark(`${filesInWords(files.map(({ file }) => file))}: ${text}`);
  }
}
