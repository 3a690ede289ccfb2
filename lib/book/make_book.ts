/** The workshop as a static book: every page and picture of it, from notebooks that were run. */
import { escapeText } from "../view/text.ts";
import { namesUsedIn, readFunctionHelp, renderFunctions } from "./function_help.ts";
import { parseGlossary, renderGlossary } from "./glossary.ts";
import { type PageLink, renderPage } from "./render_page.ts";
import { type Lesson, parseNotebook } from "./parse_notebook.ts";
import { type BookPicture, renderLesson } from "./render_lesson.ts";
import { type BookLinks, renderMarkdown } from "./render_markdown.ts";

/** A file the book is made of. */
export interface BookSource {
  /** The file's name without its ending. */
  readonly name: string;
  readonly text: string;
}

/** What a book is made of. */
export interface BookSources {
  /** Notebooks with their outputs, in reading order. */
  readonly notebooks: readonly BookSource[];
  /** Markdown for who teaches, in the order of the menu. */
  readonly forTeachers: readonly BookSource[];
  /** The document that holds the word list. */
  readonly words: string;
  /** Files of the library: path → TypeScript. */
  readonly library: ReadonlyMap<string, string>;
}

/** A book: pages by name, and the pictures they show. */
export interface Book {
  readonly pages: ReadonlyMap<string, string>;
  readonly pictures: readonly BookPicture[];
}

/** Names in prose that lead elsewhere: lessons by name and by number, functions to their help. */
function linksOf(lessons: readonly Lesson[], helped: ReadonlyMap<string, unknown>): BookLinks {
  const ofLessons = lessons.flatMap(({ name }) =>
    [name, name.slice(0, 2)].map((key) => [key, `${name}.html`] as const)
  );
  const used = lessons.flatMap(namesUsedIn).filter((name) => helped.has(name));
  return new Map([...ofLessons, ...used.map((name) => [name, `functions.html#${name}`] as const)]);
}

/** The picture that stands for a lesson: its last photograph that does not show what goes wrong, else its last one. */
function thumbnailOf(pictures: readonly BookPicture[]): string {
  const photographs = pictures.filter(({ path, words }) => path.endsWith(".jpeg") && !words.startsWith("Overdone"));
  const shown = photographs.at(-1) ?? pictures.at(-1);
  return shown === undefined ? "" : `<img loading="lazy" src="${shown.path}" alt="">`;
}

function contentsOf(lessons: readonly Lesson[], thumbnails: readonly string[], links: BookLinks): string {
  const items = lessons.map(({ name, title, question }, i) =>
    `<li><a href="${name}.html">${thumbnails[i]}<strong>${escapeText(title)}</strong></a>` +
    `${renderMarkdown(question, links)}</li>`
  );
  return `<h1>From a night of raw frames to a picture</h1>
<p>A workshop in ${lessons.length} lessons. Each shows code and what came of it when it ran; pictures with sliders work
on this page too. Nothing needs to be installed to read it.</p>
<ol class="lessons" start="0">
${items.join("\n")}
</ol>`;
}

/**
 * Make the book.
 *
 * @param sources notebooks that were run, texts for teachers, the word list, the library
 * @returns pages by file name, and pictures by their address beside them
 * @throws RangeError when a notebook is no notebook, or the word list is missing
 */
export function makeBook({ notebooks, forTeachers, words, library }: BookSources): Book {
  const lessons = notebooks.map(({ name, text }) => parseNotebook(text, name));
  const help = readFunctionHelp(library);
  const links = linksOf(lessons, help);
  const bodies = lessons.map((lesson) => renderLesson(lesson, links));
  const titleOf = (text: string) => /^# (.+)$/m.exec(text)?.[1] ?? "";
  const menu: readonly PageLink[] = [
    { address: "index.html", title: "Contents" },
    { address: "functions.html", title: "Functions" },
    { address: "glossary.html", title: "Glossary" },
    ...forTeachers.map(({ name, text }) => ({ address: `${name}.html`, title: titleOf(text) })),
  ];
  const wayTo = (lesson: Lesson | undefined): PageLink | undefined =>
    lesson === undefined ? undefined : { address: `${lesson.name}.html`, title: lesson.title };
  const pages = new Map<string, string>();
  const add = (name: string, title: string, body: string) =>
    pages.set(`${name}.html`, renderPage({ title, body }, menu));

  const thumbnails = bodies.map(({ pictures }) => thumbnailOf(pictures));
  add("index", "From a night of raw frames to a picture", contentsOf(lessons, thumbnails, links));
  lessons.forEach((lesson, i) => {
    const neighbours = { previous: wayTo(lessons[i - 1]), next: wayTo(lessons[i + 1]) };
    const page = { title: lesson.title, body: bodies[i].html, ...neighbours };
    pages.set(`${lesson.name}.html`, renderPage(page, menu));
  });
  add("functions", "Functions", renderFunctions(help, lessons, links));
  add("glossary", "Glossary", renderGlossary(parseGlossary(words), links));
  for (const { name, text } of forTeachers) add(name, titleOf(text), renderMarkdown(text, links));
  return { pages, pictures: bodies.flatMap(({ pictures }) => pictures) };
}
