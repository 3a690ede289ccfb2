/** The help page: what the functions that lessons use say of themselves, and which lessons show them. */
import { escapeText } from "../view/text.ts";
import type { Lesson } from "./parse_notebook.ts";
import { type BookLinks, renderMarkdown } from "./render_markdown.ts";

/** What a function says of itself, read from its source. */
export interface FunctionHelp {
  readonly name: string;
  /** Its file below the project's folder. */
  readonly path: string;
  /** From `function` to the type of its result. */
  readonly signature: string;
  /** Markdown. */
  readonly description: string;
  /** Its options as the source declares them; empty when there are none. */
  readonly options: string;
}

const declaration = /\/\*\*((?:(?!\*\/)[\s\S])*)\*\/\nexport (function (\w+)[\s\S]*?) \{\n/g;

/** A docblock without its frame: parameters as a list, examples as code, links as code. */
function descriptionOf(docblock: string): string {
  return docblock.split("\n").map((line) => line.replace(/^\s*\* ?/, "")).join("\n").trim()
    .replaceAll(/\{@linkcode (?:\w+\.)?(\w+)\}/g, "`$1`")
    .replace(/(?=^@param )/m, "\n")
    .replaceAll(/^@param (\w+) (?:- )?/gm, "- `$1`: ")
    .replaceAll(/^@(returns|throws) (?:\{(\w+)\} )?/gm, (_all, tag, kind = "") => `- ${`${tag} ${kind}`.trim()}: `)
    .replaceAll(/^@example ?(.*)$/gm, (_all, title: string) => `\n**Example${title === "" ? "" : `: ${title}`}**\n`);
}

/**
 * Read what exported functions say of themselves.
 *
 * @param sources files of the library: path → TypeScript
 * @returns function's name → its help
 */
export function readFunctionHelp(sources: ReadonlyMap<string, string>): ReadonlyMap<string, FunctionHelp> {
  const found = new Map<string, FunctionHelp>();
  for (const [path, source] of sources) {
    for (const [, docblock, signature, name] of source.matchAll(declaration)) {
      const optionsName = /options: (?:Partial<)?(\w+Options)\b/.exec(signature)?.[1];
      const options = optionsName === undefined
        ? ""
        : new RegExp(`^export interface ${optionsName}\\b[\\s\\S]*?^\\}`, "m").exec(source)?.[0] ?? "";
      found.set(name, { name, path, signature, description: descriptionOf(docblock), options });
    }
  }
  return found;
}

/** Names that the cells of a lesson import from the library. */
export const namesUsedIn = (lesson: Lesson): readonly string[] =>
  lesson.cells.filter(({ kind }) => kind === "code").flatMap(({ source }) =>
    [...source.matchAll(/^import \{([^}]*)\} from "faintlight/gm)].flatMap(([, names]) =>
      names.split(",").map((each) => each.trim()).filter((each) => /^\w+$/.test(each))
    )
  );

/** Lessons that use a function: function's name → lessons. */
function lessonsByFunction(lessons: readonly Lesson[]): ReadonlyMap<string, readonly Lesson[]> {
  const uses = new Map<string, Lesson[]>();
  for (const lesson of lessons) {
    for (const name of new Set(namesUsedIn(lesson))) uses.set(name, [...uses.get(name) ?? [], lesson]);
  }
  return uses;
}

function renderFunction(help: FunctionHelp, lessons: readonly Lesson[], links: BookLinks): string {
  const uses = lessons.map(({ name }) => `<a href="${name}.html">${escapeText(name)}</a>`).join(", ");
  const options = help.options === ""
    ? ""
    : `<details><summary>Options</summary><pre>${escapeText(help.options)}</pre></details>`;
  return `<section id="${help.name}"><h2><code>${help.name}</code></h2>
<pre>${escapeText(help.signature)}</pre>
${renderMarkdown(help.description, links)}${options}
<p>In <code>${help.path}</code>; used in ${uses}.</p></section>`;
}

/** The functions that lessons use, by alphabet, as the body of a page: each with its help and its lessons. */
export function renderFunctions(
  help: ReadonlyMap<string, FunctionHelp>,
  lessons: readonly Lesson[],
  links: BookLinks,
): string {
  const uses = [...lessonsByFunction(lessons)].sort(([a], [b]) => a.localeCompare(b, "en"));
  const parts = uses.flatMap(([name, where]) => {
    const found = help.get(name);
    return found === undefined ? [] : [renderFunction(found, where, links)];
  });
  return `<h1>Functions</h1>\n<p>Every function of the library that a lesson uses.</p>\n${parts.join("\n")}`;
}
