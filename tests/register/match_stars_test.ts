/** Covers search_match.ts, judge_match.ts, refine_match.ts, expected_match.ts, star_list.ts and registration_error.ts. */
import { describe, expect, it } from "vitest";
import { readFileSync } from "node:fs";
import { applyTransform } from "../../lib/core/transform.ts";
import { matchStars, type MatchStarsOptions } from "../../lib/register/match_stars.ts";
import { RegistrationError } from "../../lib/register/registration_error.ts";
import type { MatchableStar } from "../../lib/register/star_list.ts";
import { caseStream, expose, type Exposure, frame, type Place, sky, turned } from "../support/star_fields.ts";

const here = (x: number, y: number): Place => [x, y];

/** Largest distance between the map found and the truth over the part of the sky that the source frame shows. */
function worstError(
  match: ReturnType<typeof matchStars>,
  place: (x: number, y: number) => Place,
  size = frame,
): number {
  let worst = 0;
  for (let j = 0; j <= 4; j++) {
    for (let i = 0; i <= 4; i++) {
      const x = frame.width * i / 4;
      const y = frame.height * j / 4;
      const [sx, sy] = place(x, y);
      if (sx < 0 || sy < 0 || sx > size.width || sy > size.height) continue;
      const p = applyTransform(match.transform, sx, sy);
      worst = Math.max(worst, Math.hypot(p.x - x, p.y - y));
    }
  }
  return worst;
}

interface Outcome {
  readonly right: number;
  readonly wrong: number;
  readonly refused: number;
}

/** Match many skies and count; wrong means more than 3 px off anywhere both frames see. */
function tally(
  name: string,
  cases: number,
  stars: number,
  place: (index: number) => (x: number, y: number) => Place,
  source: Partial<Exposure> = {},
  reference: Partial<Exposure> = source,
  options: Partial<MatchStarsOptions> = {},
): Outcome {
  let right = 0;
  let wrong = 0;
  let refused = 0;
  for (let index = 0; index < cases; index++) {
    const random = caseStream(name, index);
    const all = sky(random, stars);
    const at = place(index);
    const mine = expose(random, all, { place: at, ...source });
    const theirs = expose(random, all, { place: here, ...reference });
    try {
      if (worstError(matchStars(mine, theirs, options), at) < 3) right++;
      else wrong++;
    } catch (error) {
      if (!(error instanceof RegistrationError)) throw error;
      refused++;
    }
  }
  return { right, wrong, refused };
}

describe("matchStars", () => {
  it("matches any rotation and shift", () => {
    const place = (i: number) => turned(i * 37, 1, 40 * (i % 5) - 80, 30 * (i % 7) - 90);
    expect(tally("rotation", 30, 150, place)).toEqual({ right: 30, wrong: 0, refused: 0 });
  });

  it("matches over the meridian flip", () => {
    expect(tally("flip", 20, 80, () => turned(180, 1, 12, -7))).toEqual({ right: 20, wrong: 0, refused: 0 });
  });

  it("matches rigs of different scale, and mirrored ones", () => {
    const place = (i: number) => turned(i * 51, 0.4 + 0.1 * (i % 5), 0, 0, i % 2 === 1);
    expect(tally("scale", 20, 150, place)).toEqual({ right: 20, wrong: 0, refused: 0 });
    const random = caseStream("mirror", 0);
    const all = sky(random, 60);
    const at = turned(20, 1, 0, 0, true);
    const match = matchStars(expose(random, all, { place: at }), expose(random, all, { place: here }));
    expect(match.mirrored).toBe(true);
    expect(match.notes.join()).toMatch(/turned over/);
  });

  it("matches lists of which half is no star, and lists of two filters", () => {
    const place = (i: number) => turned(i * 29, 1, 50, -20);
    const junk = tally("junk", 20, 100, place, { missed: 0.3, junk: 50 });
    expect(junk).toEqual({ right: 20, wrong: 0, refused: 0 });
    const filters = tally("filters", 20, 150, place, { scatter: 0.7 });
    expect(filters).toEqual({ right: 20, wrong: 0, refused: 0 });
  });

  it("matches few stars when they agree, four of four within 0.1 px", () => {
    const clean = { missed: 0, junk: 0, limit: 0, error: 0.05 };
    let right = 0;
    let all = 0;
    for (let i = 0; i < 40; i++) {
      const random = caseStream("four", i);
      const stars = sky(random, 4);
      const at = turned(5, 1, 20, -10);
      const mine = expose(random, stars, { place: at, ...clean });
      const theirs = expose(random, stars, { place: here, ...clean });
      if (mine.length < 4) continue;
      all++;
      try {
        expect(worstError(matchStars({ ...frame, stars: mine }, { ...frame, stars: theirs }), at)).toBeLessThan(3);
        right++;
      } catch (error) {
        if (!(error instanceof RegistrationError)) throw error;
      }
    }
    // flat or tiny triangles tell nothing and are refused
    expect(right / all).toBeGreaterThan(0.7);
  });

  it("matches crowded lists", () => {
    const outcome = tally("crowd", 4, 4000, (i) => turned(i * 90, 1, 30, 10), { limit: 260 });
    expect(outcome).toEqual({ right: 4, wrong: 0, refused: 0 });
  });

  it("matches a long focal length inside a short one", () => {
    const place = () => (x: number, y: number): Place => [
      3.2 * (x - 700) - 2.4 * (y - 500) + frame.width / 2,
      2.4 * (x - 700) + 3.2 * (y - 500) + frame.height / 2,
    ];
    const outcome = tally("narrow", 12, 3000, place, { limit: 230 }, { limit: 1500 }, {
      expected: { sameSensor: false },
    });
    expect(outcome.wrong).toBe(0);
    expect(outcome.right).toBeGreaterThanOrEqual(10);
  });

  it("never matches fields that have nothing in common", () => {
    let accepted = 0;
    for (const count of [3, 4, 6, 10, 30, 60]) {
      for (let i = 0; i < 30; i++) {
        const random = caseStream(`unrelated ${count}`, i);
        try {
          matchStars(sky(random, count), sky(random, count));
          accepted++;
        } catch (error) {
          expect((error as RegistrationError).reason).toBe("no-match");
        }
      }
    }
    expect(accepted).toBe(0);
  });

  it("follows the stars when four times as many hot pixels stand still", () => {
    for (let i = 0; i < 10; i++) {
      const random = caseStream("hot", i);
      const stars = sky(random, 25);
      const at = (x: number, y: number): Place => [x - 10.9, y + 0.8];
      const hot = Array.from({ length: 100 }, () => ({
        x: Math.floor(frame.width * random.uniform()),
        y: Math.floor(frame.height * random.uniform()),
        flux: 5000 * random.uniform(),
      }));
      const standing = () =>
        hot.map((each) => ({ ...each, x: each.x + 0.03 * random.gaussian(), y: each.y + 0.03 * random.gaussian() }));
      const mine = [...expose(random, stars, { place: at, limit: 0 }), ...standing()];
      const theirs = [...expose(random, stars, { place: here, limit: 0 }), ...standing()];
      const match = matchStars(mine, theirs);
      expect(worstError(match, at)).toBeLessThan(0.6);
      expect(match.patternPoints).toBeGreaterThanOrEqual(99);
      expect(match.standing).toBe(false);
    }
  });

  it("takes well-guided stars for stars, and single pixels for a pattern", () => {
    const random = caseStream("guided", 0);
    const stars = sky(random, 60).map((each) => ({ ...each, fwhmPixels: 3, snr: 50 }));
    const jitter = () =>
      stars.map((each) => ({ ...each, x: each.x + 0.05 * random.gaussian(), y: each.y + 0.05 * random.gaussian() }));
    const match = matchStars(jitter(), jitter());
    expect(match.standing).toBe(true);
    expect(match.matchedStars).toBe(60);
    const sharp = (list: MatchableStar[]) => list.map((each) => ({ ...each, fwhmPixels: 0.9 }));
    expect(() => matchStars(sharp(jitter()), sharp(jitter()))).toThrow(/hot pixels; subtract the dark/);
  });

  it("uses an initial transform that holds and searches when it does not", () => {
    const random = caseStream("seed", 0);
    const stars = sky(random, 100);
    const at = turned(12, 1, 30, 40);
    const mine = expose(random, stars, { place: at });
    const theirs = expose(random, stars, { place: here });
    const free = matchStars(mine, theirs);
    expect(free.initialTransformHeld).toBe(false);
    const seeded = matchStars(mine, theirs, { initialTransform: free.transform });
    expect(seeded.initialTransformHeld).toBe(true);
    expect(seeded.matchedStars).toBe(free.matchedStars);
    const wrong = matchStars(mine, theirs, {
      initialTransform: { kind: "similarity", matrix: [1, 0, 50, 0, 1, 9, 0, 0, 1] },
    });
    expect(wrong.initialTransformHeld).toBe(false);
    expect(worstError(wrong, at)).toBeLessThan(0.3);
  });

  it("measures the ratio of light", () => {
    const random = caseStream("ratio", 0);
    const stars = sky(random, 100);
    const at = turned(3, 1, 3, 4);
    const mine = expose(random, stars, { place: at, scatter: 0.05 }).map((each) => ({
      ...each,
      flux: 0.7 * each.flux,
    }));
    const { fluxRatio, fluxRatioScatter, matchedStars } = matchStars(
      mine,
      expose(random, stars, { place: here, scatter: 0.05 }),
    );
    // median of n ratios, each with scatter √2 · 0.05: error 1.2533 · 0.0707 / √n; four of these
    expect(Math.abs(fluxRatio / 0.7 - 1)).toBeLessThan(4 * 1.2533 * 0.0707 / Math.sqrt(matchedStars));
    expect(fluxRatioScatter).toBeGreaterThan(0.04);
    expect(fluxRatioScatter).toBeLessThan(0.11);
  });

  // the pairs of methods for 30 points that astroalign 2.6 (Beroiz et al. 2020) matches completely
  it("finds all 30 pairs that astroalign finds", () => {
    const stored = JSON.parse(
      readFileSync(new URL("../../fixtures/register/transforms.json", import.meta.url), "utf8"),
    );
    const { source, reference, matrix, matches } = stored.astroalign;
    const list = (places: Place[]) => places.map(([x, y], i) => ({ x, y, flux: 1000 - i }));
    const match = matchStars(list(source), list(reference), { model: "similarity" });
    expect(match.matchedStars).toBe(matches);
    if (match.transform.kind !== "similarity") throw new Error("not a similarity");
    const found = match.transform.matrix;
    matrix.flat().forEach((each: number, i: number) => expect(Math.abs(found[i] - each)).toBeLessThan(1e-9));
  });

  it("does not depend on the order of the lists and leaves them as they were", () => {
    const random = caseStream("order", 0);
    const stars = sky(random, 50);
    const at = turned(70, 1, 0, 0);
    const mine = expose(random, stars, { place: at });
    const theirs = expose(random, stars, { place: here });
    const before = JSON.stringify([mine, theirs]);
    const match = matchStars(mine, theirs);
    const other = matchStars([...mine].reverse(), [...theirs].reverse());
    expect(JSON.stringify([mine, theirs])).toBe(before);
    expect(other.matchedStars).toBe(match.matchedStars);
    expect(worstError(other, at)).toBeCloseTo(worstError(match, at), 9);
  });

  it("names what is wrong", () => {
    const two = [{ x: 0, y: 0, flux: 1 }, { x: 5, y: 5, flux: 1 }];
    expect(() => matchStars(two, two)).toThrow(
      "matchStars: both lists must hold at least 3 stars, but got 2 and 2; lower the detection threshold",
    );
    expect(() => matchStars(two, two, { expected: { minimumScale: 0 } })).toThrow(/minimumScale must be > 0/);
    expect(() => matchStars(two, two, { falseAlarms: 2 })).toThrow(/falseAlarms must lie between 0 and 1, but got 2/);
    expect(() => matchStars(two, two, { tolerancePixels: NaN })).toThrow(/tolerancePixels must be > 0/);
    expect(() => matchStars(two, two, { maximumStars: 2 })).toThrow(/maximumStars must be a whole number from 3/);
  });
});
