import { describe, expect, it } from "vitest";
import { borrowPlane, collect, returnPlane } from "../../lib/core/memory.ts";

// a size that nothing else asks for
const samples = 123_457;

describe("planes that are handed out again", () => {
  it("are those that came back", () => {
    const plane = borrowPlane(samples);
    const { buffer } = plane;
    returnPlane(plane);
    const again = borrowPlane(samples);
    expect(again.buffer).toBe(buffer);
    returnPlane(again);
  });
  it("stay over one collection, and go when nobody asked for them between two", () => {
    const plane = borrowPlane(samples);
    const { buffer } = plane;
    returnPlane(plane);
    collect();
    const again = borrowPlane(samples);
    expect(again.buffer).toBe(buffer);
    returnPlane(again);
    collect();
    collect();
    expect(borrowPlane(samples).buffer).not.toBe(buffer);
  });
  it("come back once only", () => {
    const plane = borrowPlane(samples);
    returnPlane(plane);
    expect(() => returnPlane(plane)).toThrow("a plane must be returned once, but came back again");
  });
});
