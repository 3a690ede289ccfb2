import { describe, expect, it } from "vitest";
import { nightTimeline } from "../../lib/view/night_timeline.ts";
import { frame, night } from "../support/view_scenes.ts";

describe("nightTimeline", () => {
  const { alternativeText } = nightTimeline(night);

  it("lists spells of trouble with their cause, frames and time", () => {
    expect(alternativeText).toContain("10 frames: 6 keep, 3 reject, 1 unreadable");
    expect(alternativeText).toContain("1  cloud (reject), 3 frames, 21:06–21:08");
    expect(alternativeText).toContain("2  corrupt file (unreadable), 1 frame, 21:09");
  });
  it("keeps the order of files when dates are missing", () => {
    expect(nightTimeline([frame(1, { dateUtc: null }), frame(2)]).alternativeText).toContain("2 frames: 2 keep");
  });
});
