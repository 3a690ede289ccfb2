import { afterEach, describe, expect, it } from "vitest";
import { cellProgress } from "../../lib/view/cell_progress.ts";
import { displayTo } from "../../lib/view/display.ts";
import { shownMessages } from "../support/shown_messages.ts";

afterEach(() => displayTo(null));

describe("cellProgress", () => {
  it("keeps one line, not more often than four times a second, and always the last", () => {
    const messages = shownMessages();
    let now = 0;
    const progress = cellProgress(() => now);
    for (let done = 0; done <= 100; done++, now += 50) progress({ label: "measuring", done, total: 100 });
    expect(messages.length).toBeLessThan(24);
    expect(new Set(messages.map((message) => message.displayId)).size).toBe(1);
    expect(messages.map((message) => message.type)).toEqual(
      messages.map((_, at) => at === 0 ? "display_data" : "update_display_data"),
    );
    expect(messages.at(-1)?.data["text/plain"]).toBe("measuring: 100 of 100, done in 5.0 s");
  });
  it("shows a remark for good, keeps the last one in the line, and drops a stage's note with the stage", () => {
    const messages = shownMessages();
    let now = 0;
    const progress = cellProgress(() => now);
    progress({ label: "reading", done: 1, total: 2, note: "a.fits" });
    progress.remark("b.fits: cloud");
    now = 60_000;
    progress({ label: "stacking", done: 1, total: 2 });
    expect(messages.map((message) => message.data["text/plain"])).toEqual([
      "reading: 1 of 2. a.fits",
      "b.fits: cloud",
      "stacking: 1 of 2. b.fits: cloud",
    ]);
  });
});
