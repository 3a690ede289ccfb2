/** Covers plain_text.ts. */
import { describe, expect, it } from "vitest";
import { clockTime, standingLine, watchLine } from "../../lib/app/watch_lines.ts";

const time = "21:04:05";

describe("lines of a watch", () => {
  it("begin with the person's time", () => {
    expect(clockTime(new Date(2031, 0, 2, 21, 4, 5))).toBe(time);
  });

  it("are one each where there is no terminal", () => {
    expect(watchLine({ kind: "frame", file: "a.fits", text: "good" }, time, null)).toBe("21:04:05   a.fits: good");
    expect(watchLine({ kind: "silence", file: "", text: "no frame" }, time, null)).toBe("21:04:05 ! no frame");
  });

  it("show what a stranger's text would do to a terminal as signs that do nothing", () => {
    const file = "a\x1b]0;own\x07.fits";
    expect(watchLine({ kind: "frame", file, text: "\u202egood" }, time, null)).toBe(
      "21:04:05   a\ufffd]0;own\ufffd.fits: \ufffdgood",
    );
  });

  it("keep within the terminal, lose no word, and are bold for what is wrong now", () => {
    const text = Array.from({ length: 40 }, (_, i) => `word${i}`).join(" ");
    const plain = watchLine({ kind: "frame", file: "", text }, time, 60);
    expect(Math.max(...plain.split("\n").map((line) => line.length))).toBeLessThan(60);
    expect(plain.split(/\s+/).slice(1).join(" ")).toBe(text);
    expect(watchLine({ kind: "warning", file: "", text: "cloud" }, time, 60)).toBe("\x1b[1m21:04:05 ! cloud\x1b[0m");
  });
});

describe("the standing line", () => {
  const looked = { lights: 3, kept: 2, keptSeconds: 600 };

  it("tells lights, exposure and the files that wait", () => {
    expect(standingLine({ lights: 0, kept: 0, keptSeconds: 0 }, { news: [], arriving: 0, waiting: 0 }, time))
      .toBe("21:04:05   no light yet");
    expect(standingLine(looked, { news: [], arriving: 1, waiting: 4 }, time))
      .toMatch(/^21:04:05 {3}2 of 3 lights worth keeping \(10 min.*\), 1 file arriving, 4 to be looked at$/);
  });
});
