/** Covers options.ts, history.ts, image.ts, core/geometry.ts, transform.ts and random.ts. */
import { describe, expect, it } from "vitest";
import {
  canonicalJson,
  createImage,
  derive,
  extendHistory,
  requireDisplay,
  requireLinear,
  settle,
} from "../../lib/doors/extend.ts";
import {
  applyTransform,
  cropGeometry,
  invertTransform,
  linearPart,
  plainGeometry,
  type PolynomialTransform,
  rescaleGeometry,
  shiftBayer,
} from "../../lib/doors/geometry.ts";
import { randomStream } from "../../lib/doors/stats.ts";
import { constantImage } from "../../lib/mod.ts";

describe("settle", () => {
  it("lays the given over the defaults and freezes", () => {
    const used = settle("demo", { radius: 2, power: 1 }, { power: 3 });
    expect(used).toEqual({ radius: 2, power: 3 });
    expect(Object.isFrozen(used)).toBe(true);
  });
  it("counts undefined as left out", () => {
    expect(settle("demo", { radius: 2 }, { radius: undefined })).toEqual({ radius: 2 });
  });
  it("refuses an unknown option and guesses what was meant", () => {
    expect(() => settle("demo", { radius: 2 }, { Radius: 1 } as object)).toThrow(
      'demo: unknown option "Radius"; did you mean "radius"?',
    );
  });
});

describe("history", () => {
  it("gives equal work an equal name and keeps a diamond's nodes once, inputs first", () => {
    const source = constantImage(2, 2, 1);
    const left = derive(source, {}, { step: "left", options: { a: 1 } });
    const right = derive(source, {}, { step: "right", options: {} });
    const joined = derive([left, right], {}, { step: "join", options: {} });
    expect(joined.history.nodes.map((node) => node.step)).toEqual(["constantImage", "left", "right", "join"]);
    expect(joined.history.nodes[3].inputs).toEqual([left.history.head, right.history.head]);
    expect(derive(source, {}, { step: "left", options: { a: 1 } }).history.head).toBe(left.history.head);
  });
  it("tells outputs of one step apart", () => {
    const one = extendHistory([], { step: "split", options: {}, output: "stars" });
    const two = extendHistory([], { step: "split", options: {}, output: "starless" });
    expect(one.head).not.toBe(two.head);
  });
});

describe("image", () => {
  it("refuses planes of the wrong length", () => {
    expect(() =>
      createImage({ width: 2, height: 2, unit: "adu", planes: [{ channel: "L", data: new Float32Array(3) }] })
    )
      .toThrow("must hold 2 × 2 = 4 samples, but got 3");
  });
  it("refuses display data where linear are needed, and the other way round", () => {
    expect(() => requireLinear("fit", constantImage(1, 1, 0, { unit: "display" }))).toThrow(
      "use it before the stretch",
    );
    expect(() => requireDisplay("curve", constantImage(1, 1, 0))).toThrow("stretch it first");
  });
  it("is canonical as JSON whatever the order of keys", () => {
    expect(canonicalJson({ b: [1, Infinity], a: null })).toBe(canonicalJson({ a: null, b: [1, Infinity] }));
  });
});

describe("geometry", () => {
  it("keeps the corner of the first pixel when pixels grow: the half-pixel rule", () => {
    const binned = rescaleGeometry({ ...plainGeometry, arcsecPerPixel: 1.5 }, 2);
    expect(binned.origin).toEqual({ x: 0.5, y: 0.5 });
    expect(binned.arcsecPerPixel).toBe(3);
    expect(rescaleGeometry(binned, 0.5).origin).toEqual({ x: 0, y: 0 });
  });
  it("moves the mosaic with the origin", () => {
    expect(shiftBayer("RGGB", 1, 0)).toBe("GRBG");
    expect(shiftBayer("RGGB", 0, 1)).toBe("GBRG");
    expect(shiftBayer("RGGB", -1, -1)).toBe("BGGR");
    expect(cropGeometry({ ...plainGeometry, bayer: "RGGB" }, { x: 3, y: 2 }).bayer).toBe("GRBG");
  });
});

describe("transforms", () => {
  it("come back to where they started", () => {
    const homography = { kind: "homography", matrix: [1.01, 0.02, 5, -0.03, 0.98, -7, 1e-5, -2e-5, 1] } as const;
    const p = applyTransform(homography, 120.5, 33.25);
    const q = applyTransform(invertTransform(homography), p.x, p.y);
    expect(q.x).toBeCloseTo(120.5, 9);
    expect(q.y).toBeCloseTo(33.25, 9);
  });
  it("touch their linear part at the point: derivative of x² by hand", () => {
    const domain = { centreX: 0, centreY: 0, radius: 1 };
    const body = { degree: 2, domain, x: [0, 0, 0, 1, 0, 0], y: [0, 0, 1, 0, 0, 0] };
    const square: PolynomialTransform = { kind: "polynomial", ...body, inverse: body };
    const m = linearPart(square, { x: 3, y: 4 });
    expect(m.slice(0, 6).map((each) => Math.round(each * 1e9) / 1e9)).toEqual([6, 0, -9, 0, 1, 0]);
  });
});

describe("randomStream", () => {
  it("repeats, and forks without being moved", () => {
    const one = randomStream(5);
    const two = randomStream(5);
    one.fork("child").uniform();
    expect(one.uniform()).toBe(two.uniform());
  });
  it.each([[3], [30], [300]])(
    "draws Poisson numbers of mean %d whose mean and variance agree with it within 4 sigma",
    (mean) => {
      const n = 100_000;
      const stream = randomStream(`poisson ${mean}`);
      let sum = 0;
      let squares = 0;
      for (let i = 0; i < n; i++) {
        const k = stream.poisson(mean);
        sum += k;
        squares += (k - mean) ** 2;
      }
      expect(Math.abs(sum / n - mean)).toBeLessThan(4 * Math.sqrt(mean / n));
      // variance of the squared deviation of a Poisson number: mean + 2 mean²
      expect(Math.abs(squares / n - mean)).toBeLessThan(4 * Math.sqrt((mean + 2 * mean ** 2) / n));
    },
  );
  it("draws normal numbers with mean 0, variance 1 and kurtosis 3 within 4 sigma", () => {
    const n = 100_000;
    const stream = randomStream("normal");
    let sum = 0;
    let squares = 0;
    let fourths = 0;
    for (let i = 0; i < n; i++) {
      const z = stream.gaussian();
      sum += z;
      squares += z ** 2;
      fourths += z ** 4;
    }
    expect(Math.abs(sum / n)).toBeLessThan(4 / Math.sqrt(n));
    expect(Math.abs(squares / n - 1)).toBeLessThan(4 * Math.sqrt(2 / n));
    expect(Math.abs(fourths / n - 3)).toBeLessThan(4 * Math.sqrt(96 / n));
  });
});
