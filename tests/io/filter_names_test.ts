import { writeFileSync } from "node:fs";
import { join } from "node:path";
import { describe, expect, it } from "vitest";
import { channelOfFilter, filterNames, readFilterNames } from "../../lib/doors/io.ts";
import { inFolder } from "./fixtures.ts";

describe("filter names", () => {
  const names: readonly (readonly [string, readonly string[]])[] = [
    ["Ha", ["Ha", "HA", "H-alpha", "Halpha", "H_Alpha", "H alpha 7nm", "Ha_3nm", "Hα", "h-alpha (6.5 nm)"]],
    ["OIII", ["OIII", "O3", "[OIII]", "O-III", "Oiii 3nm", "Oxygen III"]],
    ["SII", ["SII", "S2", "[S II]", "Sulfur"]],
    ["L", ["L", "Lum", "Luminance", "Clear", "UV/IR Cut"]],
    ["R", ["R", "Red"]],
    ["G", ["G", "green"]],
    ["B", ["B", "Blue"]],
    ["HaOIII", ["Ha/OIII", "Ha+OIII", "Dual-Band", "duo band"]],
    ["", ["", "None", "No filter", " open "]],
    ["Methane", ["Methane", " Methane "]],
  ];
  for (const [channel, spellings] of names) {
    for (const each of spellings) {
      it(`${JSON.stringify(each)} is ${JSON.stringify(channel)}`, () => expect(channelOfFilter(each)).toBe(channel));
    }
  }
  it("mean one channel each", () => {
    for (const [channel, spellings] of Object.entries(filterNames)) {
      for (const each of spellings) expect(channelOfFilter(each)).toBe(channel);
    }
  });
  it("can be added to, and taken from another channel, in a JSON file", () =>
    inFolder((folder) => {
      const path = join(folder, "names.json");
      writeFileSync(path, '{"OIII": ["slot 3"], "Ha": ["red"], "CO": ["Carbon"]}');
      const own = readFilterNames(path);
      expect(channelOfFilter("Slot_3", own)).toBe("OIII");
      expect(channelOfFilter("O3", own)).toBe("OIII");
      expect(channelOfFilter("Red", own)).toBe("Ha");
      expect(channelOfFilter("R", own)).toBe("R");
      expect(channelOfFilter("carbon", own)).toBe("CO");
    }));
  it("refuse a file that is no table of names", () =>
    inFolder((folder) => {
      const path = join(folder, "names.json");
      expect(() => readFilterNames(path)).toThrow(/does not exist; check the path of the filter names/);
      for (const text of ["Ha = slot 3", "[]", '{"Ha": "slot 3"}', '{"Ha": [3]}', "null"]) {
        writeFileSync(path, text);
        expect(() => readFilterNames(path)).toThrow(/must be an object like \{"Ha": \["slot 5"\]\}/);
      }
    }));
});
