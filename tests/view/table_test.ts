import { describe, expect, it } from "vitest";
import { table } from "../../lib/view/table.ts";

/** Texts of a drawing in order. */
const texts = (svg: string) => [...svg.matchAll(/<text[^>]*>([^<]*)</g)].map((each) => each[1]);

describe("table", () => {
  it("prints whole numbers in full, others with four digits, none as a dash", () => {
    const { svg } = table([{ n: 12345, v: 1.23456, m: null, b: true, t: "a<b" }]);
    expect(texts(svg)).toEqual(["n", "v", "m", "b", "t", "12\u202f345", "1.235", "–", "yes", "a&#60;b"]);
  });

  it("sets numbers to the right and text to the left", () => {
    const { svg } = table([{ n: 1, t: "x" }]);
    expect(svg.match(/text-anchor="end"/g)?.length).toBe(2); // heading and cell of the column of numbers
  });

  it("counts the rows it leaves out, and cuts text that runs over five lines", () => {
    const { svg } = table([{ t: "long words ".repeat(60) }, { t: "b" }, { t: "c" }], {
      maximumRows: 1,
      maximumColumnWidth: 100,
    });
    expect(texts(svg).at(-1)).toBe("and 2 more rows");
    expect(texts(svg).length).toBe(1 + 5 + 1);
    expect(svg).toContain("…");
  });

  it("takes columns by name, and refuses a name that no row has", () => {
    expect(texts(table([{ a: 1, b: 2 }], { columns: ["b", "a"] }).svg)).toEqual(["b", "a", "2", "1"]);
    expect(() => table([{ a: 1 }], { columns: ["c"] })).toThrow('table: column "c" must be a key of a row');
  });
});
