/** How many options a function takes: a person reads a list of eight at a glance, and groups what belongs together. */
import { describe, expect, it } from "vitest";
import { defaultsOf, namesWithOptions } from "../../lib/help/defaults_of.ts";

const maximumOptions = 8;

/** Functions that take more, with the reason. */
const exceptions: Readonly<Record<string, string>> = {
  simulateFrame: "every condition of a frame is a truth that a check asks for by name; a picture or verdict needs none",
  simulateCalibration: "kind, filter and exposure of a frame, and one option for each way in which it can be wrong",
};

const countOf = (name: string): number => Object.keys(defaultsOf(name)).length;

describe("options", () => {
  it("are known of many functions", () => {
    expect(namesWithOptions.length).toBeGreaterThan(80);
  });

  it("are at most eight a function, but for the exceptions", () => {
    const long = namesWithOptions.filter((name) => !(name in exceptions) && countOf(name) > maximumOptions);
    expect(long.map((name) => `${name} ${countOf(name)}`)).toEqual([]);
  });

  it("have no exception that is none", () => {
    expect(Object.keys(exceptions).filter((name) => countOf(name) <= maximumOptions)).toEqual([]);
  });
});
