import { describe, expect, it } from "vitest";
import { randomStream } from "../../lib/core/random.ts";
import { splitExactly } from "../../lib/stars/split_exactly.ts";

describe("splitExactly", () => {
  it("makes two parts whose float32 sum is the whole, for any share of a sample above half", () => {
    const random = randomStream(9);
    const n = 20000;
    const whole = Float32Array.from({ length: n }, () => 1000 * random.uniform());
    const behind = Float32Array.from(whole, (v) => v * (2 * random.uniform() - 0.2));
    const front = new Float32Array(n);
    const asked = behind.slice();
    splitExactly(whole, behind, front);
    let wrong = 0;
    let moved = 0;
    for (let i = 0; i < n; i++) {
      if (Math.fround(behind[i] + front[i]) !== whole[i]) wrong++;
      moved = Math.max(moved, Math.abs(behind[i] - asked[i]) / whole[i]);
    }
    expect(wrong).toBe(0);
    expect(moved).toBeLessThan(2 ** -22);
  });

  it("is true to one rounding of the larger part where the whole is tiny against it", () => {
    const whole = Float32Array.of(1e-6, -0.003, 0);
    const behind = Float32Array.of(-5, 7.123, 3.3);
    const front = new Float32Array(3);
    splitExactly(whole, behind, front);
    whole.forEach((v, i) =>
      expect(Math.abs(behind[i] + front[i] - v)).toBeLessThanOrEqual(Math.abs(front[i]) * 2 ** -23)
    );
  });
});
