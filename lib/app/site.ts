/** Writes the workshop as a static book, which a browser opens from the disk: no kernel, no Python, no network. */
import { existsSync, readdirSync, readFileSync, rmSync } from "node:fs";
import { join } from "node:path";
import process from "node:process";
import { fileURLToPath } from "node:url";
import { parseArgs } from "node:util";
import { type BookSource, makeBook } from "../book/make_book.ts";
import { writeWhole } from "../io/write_whole.ts";

const root = fileURLToPath(new URL("../../", import.meta.url));

const usage = `Make the workshop's book from the notebooks and their stored outputs.

deno task site     into output/site; open output/site/index.html
`;

/** Files of a folder with an ending, by name, without the ending. */
function sourcesIn(folder: string, ending: string): readonly BookSource[] {
  if (!existsSync(folder)) return [];
  return readdirSync(folder).filter((name) => name.endsWith(ending)).sort().map((name) => ({
    name: name.slice(0, -ending.length),
    text: readFileSync(join(folder, name), "utf8"),
  }));
}

function readLibrary(): ReadonlyMap<string, string> {
  const paths = readdirSync(join(root, "lib"), { recursive: true, encoding: "utf8" });
  return new Map(
    paths.filter((path) => path.endsWith(".ts")).sort()
      .map((path) => [`lib/${path}`, readFileSync(join(root, "lib", path), "utf8")]),
  );
}

/**
 * Write the book into an empty or new folder.
 *
 * @param folder where it goes; what was there before is removed
 * @returns how many pages it has and how many bytes it takes
 */
export function writeSite(folder: string): { readonly pages: number; readonly bytes: number } {
  const book = makeBook({
    notebooks: sourcesIn(join(root, "notebooks"), ".ipynb"),
    forTeachers: sourcesIn(join(root, "notebooks", "teaching"), ".md"),
    words: readFileSync(join(root, "DEVELOPERS.md"), "utf8"),
    library: readLibrary(),
  });
  const beside = ["book.css", "projector.js"].map((name) =>
    [name, readFileSync(join(root, "lib", "book", name))] as const
  );
  const files = [
    ...[...book.pages].map(([name, html]) => [name, new TextEncoder().encode(html)] as const),
    ...book.pictures.map(({ path, base64 }) => [path, Uint8Array.fromBase64(base64)] as const),
    ...beside,
  ];
  rmSync(folder, { recursive: true, force: true });
  for (const [name, bytes] of files) writeWhole(join(folder, name), bytes);
  return { pages: book.pages.size, bytes: files.reduce((sum, [, bytes]) => sum + bytes.length, 0) };
}

if (import.meta.main) {
  const { values } = parseArgs({ options: { help: { type: "boolean" } } });
  if (values.help) {
    console.log(usage);
    process.exit(0);
  }
  const folder = join(root, "output", "site");
  const { pages, bytes } = writeSite(folder);
  console.log(`${pages} pages, ${(bytes / 1e6).toFixed(1)} MB: open output/site/index.html in a browser`);
}
