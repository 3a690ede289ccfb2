/** Covers lib/night/causes/cause_rules.ts: the list of rules. What each rule finds stands in diagnose_night_test.ts. */
import { describe, expect, it } from "vitest";
import { causeRules, remedies } from "../../lib/night/causes/cause_rules.ts";
import { knownFaults } from "../../lib/simulate/faults.ts";

describe("causeRules", () => {
  const ruled = causeRules.map((each) => each.cause);
  it("hold one rule for every cause but a clear sky", () => {
    expect([...ruled].sort()).toEqual(Object.keys(remedies).filter((each) => each !== "clear sky").sort());
    expect(new Set(ruled).size).toBe(ruled.length);
  });
  it("know what helps against each cause", () => {
    for (const { cause, remedy } of causeRules) {
      expect(remedy.length).toBeGreaterThan(10);
      expect(remedies[cause]).toBe(remedy);
    }
  });
  it("know every fault that can be simulated", () => {
    const causes = Object.values(knownFaults).map((each) => each.cause).filter((each) => each !== "clear sky");
    expect(causes.filter((each) => !ruled.some((cause) => cause === each))).toEqual([]);
  });
});
