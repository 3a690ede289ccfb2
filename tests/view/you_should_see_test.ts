import { afterEach, describe, expect, it } from "vitest";
import { displayTo } from "../../lib/view/display.ts";
import { youShouldSee } from "../../lib/view/you_should_see.ts";
import { shownMessages } from "../support/shown_messages.ts";

afterEach(() => displayTo(null));

describe("youShouldSee", () => {
  it("shows what was promised and found, and throws beyond it, for NaN and for nothing", () => {
    const messages = shownMessages();
    youShouldSee("frames kept", 14, 14, 0);
    expect(messages[0].data["text/plain"]).toBe("You should see: frames kept 14 (promised 14 ± 0)");
    expect(() => youShouldSee("noise (ADU)", 1.61, 1.5, 0.1)).toThrow(
      "youShouldSee: noise (ADU): must be 1.5 ± 0.1, but got 1.61",
    );
    expect(() => youShouldSee("noise", NaN, 1, 5)).toThrow("but got NaN");
    expect(() => youShouldSee("stars", null, 0, 5)).toThrow("must be 0 ± 5, but got nothing");
    expect(() => youShouldSee("noise", 1, 1, NaN)).toThrow("within must be ≥ 0");
  });
});
