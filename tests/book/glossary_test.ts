/** The word list as a page. */
import { describe, expect, it } from "vitest";
import { parseGlossary, renderGlossary } from "../../lib/book/glossary.ts";

const list = "# House\n\n| a | b |\n| - | - |\n\n## Words\n\nIntro.\n\n| word | meaning |\n| ---- | ------- |\n" +
  "| sub  | one light |\n| flat, flats | even light |\n";

describe("parseGlossary", () => {
  it("takes the table of the word list only, by alphabet", () => {
    expect(parseGlossary(list)).toEqual([
      { words: "flat, flats", meaning: "even light" },
      { words: "sub", meaning: "one light" },
    ]);
  });

  it("refuses a document without one", () => {
    expect(() => parseGlossary("# House\n")).toThrow(RangeError);
  });
});

describe("renderGlossary", () => {
  it("shows a row for each entry", () => {
    expect(renderGlossary(parseGlossary(list), new Map()).match(/<tr>/g)).toHaveLength(3);
  });
});
