import { describe, expect, it } from "vitest";
import { readdirSync, readFileSync } from "node:fs";
import { fileURLToPath } from "node:url";
import { defaultsOf, extractGradient, reduceStars } from "faintlight";
import { namesWithOptions } from "../../lib/help/defaults_of.ts";

const lib = fileURLToPath(new URL("../../lib/", import.meta.url));

describe("defaultsOf", () => {
  it("gives the frozen options of a function, by itself and by name", () => {
    const found = defaultsOf(extractGradient);
    expect(Object.isFrozen(found)).toBe(true);
    expect(found.kind).toBe("additive");
    expect(defaultsOf("extractGradient")).toBe(found);
  });

  it("refuses what has no options and names the nearest function that has", () => {
    expect(() => defaultsOf("reduceStar")).toThrow('did you mean "reduceStars"?');
    expect(() => defaultsOf(() => 1)).toThrow(TypeError);
  });

  it("answers with what the function uses: an option given as its default changes nothing", () => {
    expect(Object.keys(defaultsOf(reduceStars)).sort()).toEqual(["method", "radiusPixels", "strength"]);
  });

  it("knows every defaults object of the library", () => {
    const files = readdirSync(lib, { recursive: true, encoding: "utf8" }).filter((name) => name.endsWith(".ts"));
    const stated = files.flatMap((name) =>
      [...readFileSync(`${lib}${name}`, "utf8").matchAll(/^export const (\w+)Defaults\b/gm)].map((found) => found[1])
    );
    const table = readFileSync(`${lib}help/defaults_of.ts`, "utf8");
    expect(stated.length).toBeGreaterThan(90);
    // parts of a value that the caller makes, not options of a function
    const partsOfValues = ["psfShape"];
    const options = stated.filter((name) => !partsOfValues.includes(name));
    expect(options.filter((name) => !new RegExp(`, ${name}Defaults\\]`).test(table))).toEqual([]);
    expect(namesWithOptions.length).toBeGreaterThan(90);
  });
});
