/** Two lines from the colours of a sensor behind a dual-band filter: against arithmetic and the simulator's truth. */
import { describe, expect, it } from "vitest";
import { quantile } from "../../lib/stats/median.ts";
import { demosaic } from "../../lib/calibrate/demosaic.ts";
import { plainGeometry } from "../../lib/core/geometry.ts";
import {
  addFilter,
  lanternScene,
  type Passband,
  pocketRig,
  resizeRig,
  shapePassband,
  throughputAt,
} from "../../lib/doors/simulate.ts";
import { expectedSignal } from "../../lib/simulate/expected_signal.ts";
import { createImage, type Image } from "../../lib/core/image.ts";
import { randomStream } from "../../lib/core/random.ts";
import { type LineResponse, unmixingWeights, unmixLines } from "../../lib/colour/unmix_lines.ts";

const width = 320;
const height = 240;

/** A field where hydrogen shines in one place, oxygen in another, and both in between, over free sky. */
const hydrogen = (x: number, y: number) => 900 * Math.exp(-((x - 110) ** 2 + (y - 120) ** 2) / (2 * 30 ** 2));
const oxygen = (x: number, y: number) => 700 * Math.exp(-((x - 210) ** 2 + (y - 120) ** 2) / (2 * 30 ** 2));

function colours(response: LineResponse, noise: number): Image {
  const random = randomStream("unmix");
  const planes = response.map(([first, second], c) => {
    const data = new Float32Array(width * height);
    for (let y = 0, p = 0; y < height; y++) {
      for (let x = 0; x < width; x++, p++) {
        data[p] = [400, 300, 250][c] + first * hydrogen(x, y) + second * oxygen(x, y) + noise * random.gaussian();
      }
    }
    return { channel: "RGB"[c], data };
  });
  return createImage({ width, height, unit: "adu", planes });
}

/** Samples less their mean. */
function centred(data: ArrayLike<number>): Float64Array {
  const values = Float64Array.from(data);
  const mean = values.reduce((sum, v) => sum + v, 0) / values.length;
  return values.map((v) => v - mean);
}

const product = (a: Float64Array, b: Float64Array): number => a.reduce((sum, v, i) => sum + v * b[i], 0);

/** How much of each line's truth a plane holds: least squares over the field, beside a level. */
function sharesOf(data: ArrayLike<number>, first: ArrayLike<number>, second: ArrayLike<number>) {
  const [d, h, o] = [data, first, second].map(centred);
  const determinant = product(h, h) * product(o, o) - product(h, o) ** 2;
  return {
    hydrogen: (product(d, h) * product(o, o) - product(d, o) * product(h, o)) / determinant,
    oxygen: (product(d, o) * product(h, h) - product(d, h) * product(h, o)) / determinant,
  };
}

const truth = (line: (x: number, y: number) => number): Float64Array =>
  Float64Array.from({ length: width * height }, (_, p) => line(p % width, Math.floor(p / width)));
const slopes = (data: Float32Array) => sharesOf(data, truth(hydrogen), truth(oxygen));

describe("unmixingWeights", () => {
  // worked example: M = [[.85, .06], [.12, .80], [.03, .55]], y = (87.4, 44, 25) is the light of (100, 40); the noise
  // of the lines is the root of the diagonal of (MᵀM)⁻¹, by a general least-squares routine (numpy.linalg.lstsq)
  const response: LineResponse = [[0.85, 0.06], [0.12, 0.8], [0.03, 0.55]];

  it("gives the lines of the worked example", () => {
    const [first, second] = unmixingWeights(response, [1, 1, 1]);
    const dot = (weights: readonly number[]) => weights.reduce((sum, w, c) => sum + w * [87.4, 44, 25][c], 0);
    expect(dot(first)).toBeCloseTo(100, 9);
    expect(dot(second)).toBeCloseTo(40, 9);
    expect(Math.sqrt(first.reduce((sum, w) => sum + w * w, 0))).toBeCloseTo(1.18716, 5);
    expect(Math.sqrt(second.reduce((sum, w) => sum + w * w, 0))).toBeCloseTo(1.04836, 5);
  });

  it("refuses a response whose lines are alike", () => {
    expect(() => unmixingWeights([[1, 1], [0.5, 0.5], [0.1, 0.1]], [1, 1, 1])).toThrow("tell the two lines apart");
  });
});

describe("unmixLines", () => {
  const responses: readonly LineResponse[] = [
    [[1, 0.06], [0.1, 1], [0.03, 0.65]],
    [[1, 0.15], [0.2, 1], [0.08, 0.8]],
    [[1, 0.004], [0.014, 1], [0.0002, 0.72]],
  ];

  it.each([0, 1, 2])("with the response given finds both lines within 3 %%, cross-talk below 2 %%: sensor %d", (at) => {
    const [ha, oiii] = unmixLines(colours(responses[at], 5), { response: responses[at] }).planes;
    const first = slopes(ha.data);
    const second = slopes(oiii.data);
    expect(Math.abs(first.hydrogen - 1)).toBeLessThan(0.03);
    expect(Math.abs(second.oxygen - 1)).toBeLessThan(0.03);
    expect(Math.abs(first.oxygen)).toBeLessThan(0.02);
    expect(Math.abs(second.hydrogen)).toBeLessThan(0.02);
  });

  it.each([0, 1, 2])("measures the response where each line shines alone, to the same: sensor %d", (at) => {
    const lines = unmixLines(colours(responses[at], 5));
    const first = slopes(lines.planes[0].data);
    const second = slopes(lines.planes[1].data);
    expect(Math.abs(first.hydrogen - 1)).toBeLessThan(0.03);
    expect(Math.abs(second.oxygen - 1)).toBeLessThan(0.03);
    expect(Math.abs(first.oxygen)).toBeLessThan(0.02);
    expect(Math.abs(second.hydrogen)).toBeLessThan(0.02);
    expect(lines.history.nodes.at(-1)?.notes?.join()).toContain("response measured in the field");
  });

  it("takes what the field does not tell from a common sensor, and says so", () => {
    const empty = colours([[0, 0], [0, 0], [0, 0]], 5);
    expect(unmixLines(empty).history.nodes.at(-1)?.notes?.join()).toContain("0 of 4 ratios measured");
  });

  it("refuses stretched pictures and missing colours", () => {
    expect(() => unmixLines({ ...colours(responses[0], 1), unit: "display" })).toThrow(TypeError);
    const one = createImage({
      width: 2,
      height: 2,
      unit: "adu",
      planes: [{ channel: "L", data: new Float32Array(4) }],
    });
    expect(() => unmixLines(one)).toThrow("three planes");
  });
});

describe("a simulated sensor behind a dual-band filter", () => {
  const rig = resizeRig(pocketRig, { width: 400, height: 300 });
  const windows = [shapePassband("Ha", 656.3, 7, 0.9, 12), shapePassband("OIII", 500.7, 7, 0.9, 12)];
  const scene = lanternScene({ starsToMagnitude15: 20, stepArcsec: 4 });

  /** What the sensor sees through windows, without noise, in its three colours. */
  function seenThrough(behind: readonly Passband[]): Image {
    const { electrons } = expectedSignal(addFilter(rig, "dual", behind), scene, {
      seed: "dual",
      exposureSeconds: 60,
    });
    const geometry = { ...plainGeometry, bayer: rig.bayer };
    const planes = [{ channel: "mosaic", data: electrons }];
    return demosaic(createImage({ width: rig.width, height: rig.height, unit: "adu", planes, geometry }));
  }

  it("gives back what it sees of each line alone within 3 %, cross-talk below 2 %", () => {
    // the other line of the doublet, at 495.9 nm, lies outside the window
    const response = rig.bands.map((band) =>
      [656.3, 500.7].map((wavelength) => throughputAt(band, wavelength))
    ) as unknown as LineResponse;
    const scaled = response.map(([h, o]) => [h / response[0][0], o / response[1][1]]) as unknown as LineResponse;
    const [ha, oiii] = unmixLines(seenThrough(windows), { response: scaled, skyRegion: null }).planes;
    const hydrogenAlone = seenThrough([windows[0]]).planes[0].data;
    const oxygenAlone = seenThrough([windows[1]]).planes[1].data;
    // the nebula: what is brighter are stars, whose peaks fall between the pixels of one colour
    const limits = [hydrogenAlone, oxygenAlone].map((data) => quantile(data, 0.98));
    const nebula = (data: Float32Array) =>
      data.filter((_, p) => hydrogenAlone[p] < limits[0] && oxygenAlone[p] < limits[1]);
    const first = sharesOf(nebula(ha.data), nebula(hydrogenAlone), nebula(oxygenAlone));
    const second = sharesOf(nebula(oiii.data), nebula(hydrogenAlone), nebula(oxygenAlone));
    expect(Math.abs(first.hydrogen - 1)).toBeLessThan(0.03);
    expect(Math.abs(second.oxygen - 1)).toBeLessThan(0.03);
    expect(Math.abs(first.oxygen)).toBeLessThan(0.02);
    expect(Math.abs(second.hydrogen)).toBeLessThan(0.02);
  });
});
