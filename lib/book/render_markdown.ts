/** Prose of a lesson as HTML: tables, formulas between dollar signs, and links from names to where they are told. */
import { Marked } from "marked";
import markedKatex from "marked-katex-extension";
import { escapeText } from "../view/text.ts";

/** Where the things are told that prose names in typewriter letters: name → address of a page. */
export type BookLinks = ReadonlyMap<string, string>;

/** What a piece of code in a sentence names: `reduceStars(…)` names `reduceStars`. */
const nameIn = (code: string): string => /^([A-Za-z]\w*)\(/.exec(code)?.[1] ?? code;

/** A link between notebooks leads to the page made of the notebook. */
const pageOf = (address: string): string => address.replace(/^(?:notebooks\/)?(\d\d-[\w-]+)\.ipynb/, "$1.html");

/**
 * Markdown as HTML. Formulas become MathML, which a browser sets without any font or script of ours.
 *
 * @param markdown GitHub's dialect, formulas as `$…$` and `$$…$$`
 * @param links names that become links where they stand in typewriter letters
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { renderMarkdown } from "lib/book/render_markdown.ts";
 *
 * const html = renderMarkdown("See `02`.", new Map([["02", "02-calibrate.html"]]));
 * assert.equal(html, '<p>See <a href="02-calibrate.html"><code>02</code></a>.</p>\n');
 * ```
 */
export function renderMarkdown(markdown: string, links: BookLinks): string {
  // nonStandard: a formula may also stand at the start of a line
  const marked = new Marked(markedKatex({ output: "mathml", throwOnError: true, nonStandard: true }), {
    renderer: {
      codespan({ text }) {
        const code = `<code>${escapeText(text)}</code>`;
        const address = links.get(nameIn(text));
        return address === undefined ? code : `<a href="${address}">${code}</a>`;
      },
    },
    walkTokens(token) {
      if (token.type === "link") token.href = pageOf(token.href);
    },
  });
  return marked.parse(markdown, { async: false });
}
