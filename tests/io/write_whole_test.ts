import { mkdirSync, readdirSync, readFileSync } from "node:fs";
import { join } from "node:path";
import { describe, expect, it } from "vitest";
import { writeWhole } from "../../lib/doors/io.ts";
import { inFolder } from "./fixtures.ts";

describe("writeWhole", () => {
  it("writes text, bytes and pieces, makes folders, replaces what was there", () =>
    inFolder((folder) => {
      const path = join(folder, "a", "b", "c.txt");
      writeWhole(path, "clear sky, Hα");
      expect(readFileSync(path, "utf8")).toBe("clear sky, Hα");
      writeWhole(path, Uint8Array.of(1, 2, 3));
      expect([...readFileSync(path)]).toEqual([1, 2, 3]);
      writeWhole(path, [Uint8Array.of(4), new Uint8Array(0), Uint8Array.of(5, 6)]);
      expect([...readFileSync(path)]).toEqual([4, 5, 6]);
      expect(readdirSync(join(folder, "a", "b"))).toEqual(["c.txt"]);
    }));
  it("leaves the old file and nothing else when making the content fails half way", () =>
    inFolder((folder) => {
      const path = join(folder, "c.txt");
      writeWhole(path, "old");
      function* pieces(): Generator<Uint8Array> {
        yield new Uint8Array(100000);
        // while it is written there is no new file yet, and the old one is whole
        expect(readFileSync(path, "utf8")).toBe("old");
        throw new RangeError("clouds came in");
      }
      expect(() => writeWhole(path, pieces())).toThrow("clouds came in");
      expect(readFileSync(path, "utf8")).toBe("old");
      expect(readdirSync(folder)).toEqual(["c.txt"]);
    }));
  it("leaves nothing behind when the place is taken by a folder", () =>
    inFolder((folder) => {
      mkdirSync(join(folder, "taken"));
      expect(() => writeWhole(join(folder, "taken"), "x")).toThrow();
      expect(readdirSync(folder)).toEqual(["taken"]);
    }));
});
