/** Help as the sources tell it. */
import { describe, expect, it } from "vitest";
import { namesUsedIn, readFunctionHelp, renderFunctions } from "../../lib/book/function_help.ts";
import { parseNotebook } from "../../lib/book/parse_notebook.ts";

const source = `
/** Options. */
export interface StackOptions {
  /** How many. */
  readonly least: number;
}

/**
 * Lay {@linkcode Image}s on each other.
 *
 * @param images any number
 * @param options what is unusual
 * @throws {RangeError} if there are none
 *
 * @example Two of them
 * \`\`\`ts
 * stack([a, b]);
 * \`\`\`
 */
export function stack(images: readonly Image[], options: Partial<StackOptions> = {}): Image {
  return images[0];
}
`;
const help = readFunctionHelp(new Map([["lib/stack/stack.ts", source]]));
const cell = 'import { show, stack, type Image } from "faintlight";\nimport { other } from "elsewhere";';
const lesson = parseNotebook(JSON.stringify({ nbformat: 4, cells: [{ cell_type: "code", source: cell }] }), "03-stack");

describe("readFunctionHelp", () => {
  const found = help.get("stack");

  it("reads signature, description, file and options", () => {
    expect(found?.signature).toBe(
      "function stack(images: readonly Image[], options: Partial<StackOptions> = {}): Image",
    );
    expect(found?.path).toBe("lib/stack/stack.ts");
    expect(found?.options).toContain("readonly least: number;");
  });

  it("turns the tags of the docblock into Markdown", () => {
    expect(found?.description).toBe(
      "Lay `Image`s on each other.\n\n\n- `images`: any number\n- `options`: what is unusual\n" +
        "- throws RangeError: if there are none\n\n\n**Example: Two of them**\n\n```ts\nstack([a, b]);\n```",
    );
  });
});

describe("renderFunctions", () => {
  it("holds what lessons import from the library, with the way back to the lesson", () => {
    expect(namesUsedIn(lesson)).toEqual(["show", "stack"]);
    const html = renderFunctions(help, [lesson], new Map());
    expect(html).toContain('<section id="stack">');
    expect(html).toContain('used in <a href="03-stack.html">03-stack</a>');
    expect(html.match(/<section/g)).toHaveLength(1);
  });
});
