/** The glossary page: the word list of the house, in the order of the alphabet. */
import { type BookLinks, renderMarkdown } from "./render_markdown.ts";

/** A row of the word list: words that share a meaning. */
export interface GlossaryEntry {
  readonly words: string;
  readonly meaning: string;
}

/**
 * The rows of the table under the heading "Words" of a Markdown document.
 *
 * @param markdown the document that holds the word list
 * @returns the entries by alphabet
 * @throws RangeError when there is no such table
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { parseGlossary } from "lib/book/glossary.ts";
 *
 * const [entry] = parseGlossary("## Words\n\n| word | meaning |\n| --- | --- |\n| sub | one light |\n");
 * assert.deepEqual(entry, { words: "sub", meaning: "one light" });
 * ```
 */
export function parseGlossary(markdown: string): readonly GlossaryEntry[] {
  const [, section = ""] = markdown.split(/^## Words\n/m);
  const rows = section.split("\n").filter((line) => line.startsWith("|")).slice(2);
  if (rows.length === 0) throw new RangeError('parseGlossary: the document must hold a table under "## Words"');
  return rows.map((row) => row.split("|").map((cell) => cell.trim()))
    .map(([, words, meaning]) => ({ words, meaning }))
    .sort((a, b) => a.words.localeCompare(b.words, "en"));
}

/** The glossary as the body of a page. */
export function renderGlossary(entries: readonly GlossaryEntry[], links: BookLinks): string {
  const rows = entries.map(({ words, meaning }) => `| ${words} | ${meaning} |`).join("\n");
  const intro = "One word for one thing, the field's own where the field has one. Names of functions and options are " +
    "made of these words.";
  return renderMarkdown(`# Glossary\n\n${intro}\n\n| word | meaning |\n| --- | --- |\n${rows}\n`, links);
}
