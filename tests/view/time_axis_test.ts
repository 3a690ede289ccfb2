import { describe, expect, it } from "vitest";
import { clock, spellsOf, timeAxis } from "../../lib/view/time_axis.ts";
import { frame, night } from "../support/view_scenes.ts";

describe("timeAxis", () => {
  it("sets frames by their dates, a frame's distance beyond the first and last", () => {
    const { rows, dated, half, domain, unread } = timeAxis(night);
    expect([rows.length, dated, half, unread]).toEqual([10, true, 30_000, 0]);
    expect(domain.map(clock)).toEqual(["20:59", "21:10"]);
  });

  it("sets them by their order where one has no date, and counts files without any", () => {
    const undated = frame(3, { dateUtc: null });
    expect(timeAxis([frame(1), undated]).rows.map((row) => row.time)).toEqual([1, 2]);
    expect(timeAxis([frame(1), { ...undated, verdict: "unreadable" }]).unread).toBe(1);
    expect(timeAxis([]).domain).toEqual([0, 1]);
  });

  it("joins neighbours that share a cause into a spell", () => {
    const spells = spellsOf(timeAxis(night));
    expect(spells.map(({ number, cause, frames }) => [number, cause, frames])).toEqual([
      ["1", "cloud", 3],
      ["2", "corrupt file", 1],
    ]);
  });
});
