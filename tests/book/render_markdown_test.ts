/** Prose as HTML. */
import { describe, expect, it } from "vitest";
import { renderMarkdown } from "../../lib/book/render_markdown.ts";

const links = new Map([["stackImages", "functions.html#stackImages"], ["03-stack", "03-stack.html"]]);

describe("renderMarkdown", () => {
  it("links names of functions, called or not, and of lessons", () => {
    expect(renderMarkdown("`stackImages(frames)`", links)).toContain(
      '<a href="functions.html#stackImages"><code>stackImages(frames)</code></a>',
    );
    expect(renderMarkdown("`03-stack`", links)).toContain('<a href="03-stack.html">');
    expect(renderMarkdown("`frames.stackImages`", links)).not.toContain("<a");
  });

  it("leads from a notebook's file to its page", () => {
    expect(renderMarkdown("[tour](00-five-minute-tour.ipynb)", links)).toContain('href="00-five-minute-tour.html"');
  });

  it("sets formulas as MathML, and throws at one that is none", () => {
    expect(renderMarkdown("$$\\frac{a}{b}$$", links)).toMatch(/<math[\s\S]*<mfrac>/);
    expect(() => renderMarkdown("$\\fraction$", links)).toThrow("Undefined control sequence");
  });

  it("sets a formula wherever it stands in a line, and leaves code alone", () => {
    const html = renderMarkdown("of\n$n$ frames: $1/n$. `${a}` and `${b}`", links);
    expect(html.match(/<math/g)).toHaveLength(2);
    expect(html).toContain("<code>${a}</code> and <code>${b}</code>");
  });

  it("keeps what is folded", () => {
    expect(renderMarkdown("<details><summary>Answers</summary>\n\n1. **Yes.**\n\n</details>\n", links))
      .toMatch(/<details>[\s\S]*<strong>Yes\.<\/strong>[\s\S]*<\/details>/);
  });

  it("shows code as it is written", () => {
    expect(renderMarkdown("`a < b`", links)).toContain("<code>a &#60; b</code>");
  });
});
