/** A lesson as the body of a page: prose, code, and what the code showed when it ran. */
import { escapeText } from "../view/text.ts";
import type { Lesson, LessonCell, LessonOutput } from "./parse_notebook.ts";
import { type BookLinks, renderMarkdown } from "./render_markdown.ts";

/** A picture beside the pages. */
export interface BookPicture {
  /** Address from the book's folder. */
  readonly path: string;
  readonly base64: string;
  /** What it shows, for who does not see it. */
  readonly words: string;
}

/** The body of a lesson's page and the pictures it shows, in the order of the page. */
export interface LessonBody {
  readonly html: string;
  readonly pictures: readonly BookPicture[];
}

/** Numbers that were promised and came out stand together and apart from other words. */
function renderOutput(output: LessonOutput, keep: (output: LessonOutput & { kind: "picture" }) => string): string {
  if (output.kind === "view") return `<div class="view">${output.html}</div>`;
  if (output.kind === "text") {
    const promised = output.text.startsWith("You should see:") ? ' class="promised"' : "";
    return `<pre${promised}>${escapeText(output.text)}</pre>`;
  }
  const words = escapeText(output.words);
  return `<figure><img loading="lazy" src="${keep(output)}" alt="${words}"></figure>`;
}

/** The cells before the answers, the answers, and what comes after them. */
function partsOf(cells: readonly LessonCell[]): readonly (readonly LessonCell[])[] {
  const placeOf = (heading: string) => {
    const at = cells.findIndex(({ source }) => source.startsWith(heading));
    return at < 0 ? cells.length : at;
  };
  const end = placeOf("## Next");
  const start = Math.min(placeOf("## Answers"), end);
  return [cells.slice(0, start), cells.slice(start, end), cells.slice(end)];
}

/**
 * A lesson as HTML, its answers folded, its pictures as files of their own. Live views go into the page as they are:
 * they run in the reader's browser, each in a frame that may reach nothing outside itself.
 *
 * @param lesson a notebook that was run
 * @param links names that become links
 */
export function renderLesson(lesson: Lesson, links: BookLinks): LessonBody {
  const pictures: BookPicture[] = [];
  const keep = ({ format, base64, words }: LessonOutput & { kind: "picture" }): string => {
    const number = String(pictures.length + 1).padStart(2, "0");
    const path = `pictures/${lesson.name}-${number}.${format}`;
    pictures.push({ path, base64, words });
    return path;
  };
  const elsewhere: BookLinks = new Map([...links].filter(([, address]) => address !== `${lesson.name}.html`));
  const renderCell = ({ kind, source, outputs }: LessonCell): string =>
    kind === "markdown"
      ? `<section>${renderMarkdown(source, elsewhere)}</section>`
      : `<section class="code"><pre class="source"><code>${escapeText(source)}</code></pre>` +
        `${outputs.map((output) => renderOutput(output, keep)).join("\n")}</section>`;
  const [before, answers, after] = partsOf(lesson.cells).map((cells) => cells.map(renderCell).join("\n"));
  const folded = answers === "" ? "" : `<details><summary>Answers</summary>\n${answers}\n</details>\n`;
  return { html: `${before}\n${folded}${after}`, pictures };
}
