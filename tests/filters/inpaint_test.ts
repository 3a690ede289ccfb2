import { describe, expect, it } from "vitest";
import { randomStream } from "../../lib/core/random.ts";
import { fillHoles } from "../../lib/filters/inpaint.ts";

describe("fillHoles", () => {
  const disc = (size: number, radius: number) =>
    Uint8Array.from(
      { length: size * size },
      (_, i) =>
        (i % size - (size - 1) / 2) ** 2 + (Math.floor(i / size) - (size - 1) / 2) ** 2 <= radius * radius ? 1 : 0,
    );

  it("continues a bilinear surface exactly (a solution of the biharmonic equation)", () => {
    const data = Float32Array.from(
      { length: 225 },
      (_, i) => 3 + 0.5 * (i % 15) - 0.25 * Math.floor(i / 15) + 0.1 * (i % 15) * Math.floor(i / 15),
    );
    const hole = disc(15, 3);
    const out = fillHoles(data.map((v, i) => hole[i] ? 99 : v), hole, 15, 15, { pull: 0, sweeps: 3000 });
    for (let i = 0; i < 225; i++) expect(Math.abs(out[i] - data[i])).toBeLessThan(1e-5); // float32
  });

  it("gives the biharmonic value of scikit-image 0.19.3 inpaint_biharmonic in the middle of a hole, not the harmonic one", () => {
    const data = Float32Array.from({ length: 225 }, (_, i) => Math.sin(i % 15 / 4) * Math.cos(Math.floor(i / 15) / 5));
    const hole = disc(15, 3);
    const out = fillHoles(data, hole, 15, 15, { pull: 0, sweeps: 3000 });
    expect(out[7 * 15 + 7]).toBeCloseTo(0.16245911, 5); // harmonic: 0.12237304, truth: 0.16724528
    let worst = 0;
    for (let i = 0; i < 225; i++) worst = Math.max(worst, Math.abs(out[i] - data[i]));
    expect(worst).toBeCloseTo(0.005773, 4);
  });

  it("keeps what is known and passes by its noise when pulled softly", () => {
    const random = randomStream(5);
    const data = Float32Array.from({ length: 60 * 60 }, (_, i) => 100 + i % 60 + random.gaussian());
    const hole = disc(60, 8);
    const out = fillHoles(data, hole, 60, 60, { pull: 1 / 64, sweeps: 10 });
    let squares = 0;
    let n = 0;
    for (let i = 0; i < data.length; i++) {
      if (!hole[i]) expect(out[i]).toBe(data[i]);
      else {
        squares += (out[i] - 100 - i % 60) ** 2;
        n++;
      }
    }
    expect(Math.sqrt(squares / n)).toBeLessThan(1); // less than the noise of one sample
  });
});
