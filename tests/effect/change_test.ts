import { describe, expect, it } from "vitest";
import { changeOf, knownOrNull } from "../../lib/effect/change.ts";

describe("a change", () => {
  it("is a ratio and a difference", () => {
    expect(changeOf(4, 6)).toEqual({ before: 4, after: 6, ratio: 1.5, difference: 2 });
  });

  it("has no ratio to nothing, and is unknown where a side is", () => {
    expect(changeOf(0, 6)).toEqual({ before: 0, after: 6, ratio: null, difference: 6 });
    expect(changeOf(NaN, 6)).toEqual({ before: null, after: 6, ratio: null, difference: null });
    expect(changeOf(4, Infinity)).toEqual({ before: 4, after: null, ratio: null, difference: null });
    expect([knownOrNull(-Infinity), knownOrNull(0)]).toEqual([null, 0]);
  });
});
