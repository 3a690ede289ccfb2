import { describe, expect, it } from "vitest";
import { namesInWords } from "../../lib/core/names_in_words.ts";

describe("namesInWords", () => {
  it("names the first few and counts the others", () => {
    expect(namesInWords(["a", "b", "c"], 1)).toBe("a and 2 more");
    expect(namesInWords(["a", "b", "c"], 2)).toBe("a, b and 1 more");
    expect(namesInWords(["a", "b", "c"], 3)).toBe("a, b, c");
    expect(namesInWords([], 3)).toBe("");
  });
});
