/** Notebooks as the format stores them: https://nbformat.readthedocs.io, section "The notebook format". */
import { describe, expect, it } from "vitest";
import { parseNotebook } from "../../lib/book/parse_notebook.ts";

const cells = [
  { cell_type: "markdown", source: ["# 02 · Calibrate\n", "\n", "**Question.** Which frames\n", "help?\n\nMore."] },
  {
    cell_type: "code",
    source: "show(image);",
    outputs: [
      { output_type: "stream", name: "stdout", text: ["a\n", "b\n"] },
      { output_type: "display_data", data: { "image/png": "iVBO\nRw0K\n", "text/plain": ["a ", "star"] } },
      { output_type: "display_data", data: { "text/html": "<i>x</i>", "text/plain": "x" } },
      { output_type: "error", ename: "RangeError", evalue: "step: no" },
    ],
  },
];

describe("parseNotebook", () => {
  const lesson = parseNotebook(JSON.stringify({ nbformat: 4, cells }), "02-calibrate");

  it("reads title and question across lines", () => {
    expect([lesson.title, lesson.question]).toEqual(["02 · Calibrate", "Which frames help?"]);
  });

  it("joins lines of sources and outputs, and tells the kinds of outputs apart", () => {
    expect(lesson.cells[1].source).toBe("show(image);");
    expect(lesson.cells[1].outputs).toEqual([
      { kind: "text", text: "a\nb\n" },
      { kind: "picture", format: "png", base64: "iVBORw0K", words: "a star" },
      { kind: "view", html: "<i>x</i>" },
      { kind: "text", text: "RangeError: step: no" },
    ]);
  });

  it("refuses another format by name", () => {
    expect(() => parseNotebook('{"nbformat": 3}', "old")).toThrow(
      new RangeError("parseNotebook: old must be a notebook of format 4, but got format 3"),
    );
  });
});
