/** The frame that every page of the book has: heading for the tab, ways to the other pages, style. */
import { escapeText } from "../view/text.ts";

/** A way to another page. */
export interface PageLink {
  readonly address: string;
  readonly title: string;
}

/** What a page consists of. */
export interface Page {
  readonly title: string;
  /** HTML. */
  readonly body: string;
  readonly previous?: PageLink;
  readonly next?: PageLink;
}

/**
 * A page may load what lies beside it and nothing else, whatever a lesson's output asks: the book works offline, and
 * nobody learns that it is read.
 */
const policy = "default-src 'none'; img-src 'self' file: data: blob:; style-src 'self' file: 'unsafe-inline'; " +
  "script-src 'self' file: 'unsafe-inline' 'wasm-unsafe-eval'; frame-src 'self' data:";

const wayTo = (link: PageLink | undefined, relation: "prev" | "next"): string =>
  link === undefined
    ? "<span></span>"
    : `<a rel="${relation}" href="${link.address}">${relation === "prev" ? "← " : ""}${escapeText(link.title)}` +
      `${relation === "next" ? " →" : ""}</a>`;

/**
 * A whole HTML document.
 *
 * @param page its title, its body and its neighbours
 * @param menu pages that are reached from everywhere
 */
export function renderPage({ title, body, previous, next }: Page, menu: readonly PageLink[]): string {
  const ways = menu.map((link) => `<a href="${link.address}">${escapeText(link.title)}</a>`).join("\n");
  return `<!DOCTYPE html>
<html lang="en-GB">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width">
<meta http-equiv="Content-Security-Policy" content="${policy}">
<title>${escapeText(title)}</title>
<link rel="icon" href="data:,">
<link rel="stylesheet" href="book.css">
</head>
<body>
<nav class="menu" aria-label="Book">
${ways}
<button id="projector" title="larger letters and no code, key P">Projector</button>
</nav>
<main>
${body}
</main>
<nav class="ways" aria-label="Lessons">${wayTo(previous, "prev")}${wayTo(next, "next")}</nav>
<script src="projector.js"></script>
</body>
</html>
`;
}
