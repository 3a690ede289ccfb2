/**
 * Covers expected_signal.ts, image_scene.ts, rig.ts, scene.ts, frame_conditions.ts, exposure_motion.ts,
 * extended_emission.ts, fault_conditions.ts, faults.ts, foreground.ts, frame_header.ts, frame_pointing.ts,
 * illumination.ts, sky_background.ts, simulate/defocus.ts and square.ts.
 */
import { describe, expect, it } from "vitest";
import { cardValue } from "../../lib/core/header.ts";
import { applyTransform, invertTransform } from "../../lib/core/transform.ts";
import { describeFrame } from "../../lib/io/describe_frame.ts";
import { expectedSignal, type SimulateFrameOptions } from "../../lib/simulate/expected_signal.ts";
import { type FaultName, knownFaults } from "../../lib/simulate/faults.ts";
import { illumination } from "../../lib/simulate/illumination.ts";
import { blackBodyWidth, magnitudeRate } from "../../lib/simulate/photometry.ts";
import {
  arcsecPerPixelOf,
  collectingAreaSquareCm,
  longRig,
  passbandOf,
  pocketRig,
  resizeRig,
} from "../../lib/simulate/rig.ts";
import type { Scene } from "../../lib/simulate/scene.ts";
import type { SceneStar } from "../../lib/simulate/star_field.ts";
import { simulateFrame } from "../../lib/simulate/simulate_frame.ts";
import { truthTransform } from "../../lib/simulate/simulate_night.ts";

const size = 161;
const middle = 80;
const rig = {
  ...resizeRig(longRig, { width: size, height: size }),
  vignetting: 0,
  fieldCurvature: 0,
  radialEllipticity: 0,
};
const sceneOf = (stars: readonly SceneStar[]): Scene => ({
  object: "Test",
  rightAscensionDegrees: 349.6,
  declinationDegrees: 22.5,
  stars,
  glow: null,
});
const star: SceneStar = { east: 0, north: 0, magnitude: 10, temperatureK: 5800 };
const dark = { skyMagnitude: 40, eccentricity: 0 };
const clean = illumination(rig, { filter: "Ha", dustMoved: false });
/** Electrons of a frame before the dust, so that sums are those of the star. */
const electronsOf = (options: SimulateFrameOptions, stars: readonly SceneStar[] = [star]) => {
  const { electrons, truth } = expectedSignal(rig, sceneOf(stars), options);
  return { electrons: electrons.map((x, i) => x / clean[i]), truth };
};
const sum = (data: Float32Array) => data.reduce((a, b) => a + b, 0);

/** Position and second moments in a window. */
function moments(data: Float32Array, cx: number, cy: number, radius: number) {
  let total = 0;
  let x = 0;
  let y = 0;
  let xx = 0;
  let yy = 0;
  let xy = 0;
  const each = (use: (v: number, px: number, py: number) => void) => {
    for (let py = cy - radius; py <= cy + radius; py++) {
      for (let px = cx - radius; px <= cx + radius; px++) use(data[py * size + px], px, py);
    }
  };
  each((v, px, py) => {
    total += v;
    x += v * px;
    y += v * py;
  });
  x /= total;
  y /= total;
  each((v, px, py) => {
    xx += v * (px - x) ** 2 / total;
    yy += v * (py - y) ** 2 / total;
    xy += v * (px - x) * (py - y) / total;
  });
  return { total, x, y, xx, yy, xy };
}

describe("the light of a frame", () => {
  it("holds the star's electrons: rate × exposure × transparency (loss of the profile's tail 1e-3)", () => {
    const { electrons, truth } = electronsOf(dark);
    const rate = magnitudeRate(10, collectingAreaSquareCm(rig), blackBodyWidth(passbandOf(rig, "Ha"), 5800));
    expect(Math.abs(sum(electrons) / (rate * 300 * truth.transparency) - 1)).toBeLessThan(2e-3);
  });

  it("is proportional to the flux over ten magnitudes", () => {
    const faint = sum(electronsOf(dark, [{ ...star, magnitude: 16 }]).electrons);
    const bright = sum(electronsOf(dark, [{ ...star, magnitude: 6 }]).electrons);
    expect(Math.abs(bright / faint / 10000 - 1)).toBeLessThan(3e-3);
  });

  it("puts stars where the truth's matrix says", () => {
    const off: SceneStar = { ...star, east: -31.7, north: 22.3 };
    const { electrons, truth } = electronsOf({ ...dark, pointing: [4, -3], upDegrees: 33 }, [off]);
    const { x, y } = applyTransform(
      invertTransform({ kind: "similarity", matrix: truth.skyMatrix }),
      off.east,
      off.north,
    );
    const found = moments(electrons, Math.round(x), Math.round(y), 14);
    expect(Math.abs(found.x - x)).toBeLessThan(0.01);
    expect(Math.abs(found.y - y)).toBeLessThan(0.01);
  });

  it("shows north up and east to the left when the top edge points north", () => {
    const { truth } = electronsOf({ ...dark, upDegrees: 0 });
    const to = invertTransform({ kind: "similarity", matrix: truth.skyMatrix });
    expect(applyTransform(to, 0, 10).y).toBeLessThan(middle);
    expect(applyTransform(to, 10, 0).x).toBeLessThan(middle);
  });

  it("has the sky's electrons in the middle", () => {
    const { electrons, truth } = electronsOf({}, []);
    expect(Math.abs(electrons[middle * size + middle] / truth.backgroundElectrons[0] - 1)).toBeLessThan(1e-3);
    const slope = (electrons[middle * size + 2 * middle] - electrons[middle * size]) /
      (2 * truth.backgroundElectrons[0]);
    // the edge along x lies at 1/√2 of the corner's distance
    expect(Math.abs(slope * Math.SQRT2 - truth.backgroundSlope[0])).toBeLessThan(0.01);
  });

  it("turns with the parallactic angle on an alt-azimuth mount", () => {
    const small = resizeRig(pocketRig, { width: 40, height: 30 });
    const truths = ["2026-10-03T20:00:00", "2026-10-03T21:00:00"].map((dateUtc) =>
      expectedSignal(small, sceneOf([]), { dateUtc, exposureSeconds: 10 }).truth
    );
    const [a, b] = truthTransform(truths[0], truths[1]).matrix;
    const turned = -Math.atan2(b, a) * 180 / Math.PI;
    // by hand: sidereal time of 2026-10-03 20:00 UTC at longitude −4.3° is 308.235° (GMST 312.535°, Meeus 1998, 12.4),
    // so the hour angles in mid-exposure are −41.344° and −26.303°, and q by equation 14.1 for latitude 51.2°,
    // declination 22.5°
    const q = (hour: number) => {
      const h = hour * Math.PI / 180;
      const latitude = 51.2 * Math.PI / 180;
      const declination = 22.5 * Math.PI / 180;
      const down = Math.tan(latitude) * Math.cos(declination) - Math.sin(declination) * Math.cos(h);
      return Math.atan2(Math.sin(h), down) * 180 / Math.PI;
    };
    expect(Math.abs(turned - (q(-26.303) - q(-41.344)))).toBeLessThan(0.002);
  });
});

describe("faults", () => {
  const moved = (fault: FaultName, faultSettings = {}) => electronsOf({ ...dark, fault, faultSettings });
  const still = moments(electronsOf(dark).electrons, middle, middle, 60);

  it("each make the frame they name and nothing else: cause and kept or not", () => {
    const causes = Object.values(knownFaults).map((each) => each.cause);
    // the causes of the night report that concern one light's pixels
    for (
      const cause of [
        "clear sky",
        "cloud",
        "dew or haze",
        "defocus",
        "focus drift",
        "drift trailing",
        "field rotation",
        "guiding jump",
        "wind shake",
        "tilt",
        "lens cap or shutter closed",
        "twilight",
        "satellite or aircraft",
      ]
    ) expect(causes).toContain(cause);
  });

  it("cloud and dew take light: the star fades as the truth says", () => {
    for (const fault of ["cloud", "dark-cloud", "dew"] as const) {
      const { electrons, truth } = moved(fault, {});
      const share = truth.transparency / electronsOf(dark).truth.transparency;
      expect(share).toBeLessThan(0.65);
      // cloud is uneven by 30 % of its depth
      expect(Math.abs(Math.log(sum(electrons) / still.total / share))).toBeLessThan(0.6);
    }
  });

  it("lit cloud brightens the sky, cloud over a dark site dims it", () => {
    const sky = (fault: FaultName) => electronsOf({ fault }, []).truth.backgroundElectrons[0];
    expect(sky("cloud")).toBeGreaterThan(2 * sky("none"));
    expect(sky("dark-cloud")).toBeLessThan(0.8 * sky("none"));
  });

  it("defocus spreads a star over a ring of the radius asked for, and keeps its light", () => {
    const { electrons } = moved("defocus", { ringPixels: 9 });
    expect(Math.abs(sum(electrons) / still.total - 1)).toBeLessThan(5e-3);
    // the centre lies in the shadow of the obstruction (0.3 of the radius)
    expect(electrons[middle * size + middle]).toBeLessThan(0.9 * electrons[middle * size + middle + 6]);
    const found = moments(electrons, middle, middle, 60);
    expect(Math.abs((found.xx - still.xx) / (81 * (1 + 0.09) / 4) - 1)).toBeLessThan(0.03);
  });

  it("drift lengthens a star by L² / 12 along its direction", () => {
    const { electrons, truth } = moved("drift", { lengthPixels: 9, degrees: 0 });
    const found = moments(electrons, middle, middle, 60);
    expect(Math.abs((found.xx - still.xx) / (81 / 12) - 1)).toBeLessThan(0.03);
    expect(Math.abs(found.yy - still.yy)).toBeLessThan(0.05);
    const s2 = (truth.fwhmPixels / 2.3548200450309493) ** 2;
    expect(truth.eccentricity).toBeCloseTo(Math.sqrt(1 - s2 / (s2 + 81 / 12)), 2);
  });

  it("field rotation leaves the middle round and smears the edge by ρ Δθ along the circle", () => {
    const off: SceneStar = { ...star, east: -55 * arcsecPerPixelOf(rig) };
    const options = { ...dark, upDegrees: 0 };
    const before = moments(electronsOf(options, [off]).electrons, middle + 55, middle, 22);
    const turn = { ...options, fault: "field-rotation" as const, faultSettings: { degrees: 8 } };
    const after = moments(electronsOf(turn, [off]).electrons, middle + 55, middle, 22);
    const length = 55 * 8 * Math.PI / 180;
    expect(Math.abs((after.yy - before.yy) / (length * length / 12) - 1)).toBeLessThan(0.05);
    expect(Math.abs(after.xx - before.xx)).toBeLessThan(0.1);
    const centre = moments(electronsOf(turn).electrons, middle, middle, 60);
    expect(Math.abs(centre.yy - still.yy)).toBeLessThan(1e-3);
  });

  it("a guiding jump doubles the star at the vector and share asked for", () => {
    const { electrons } = moved("guiding-jump", { dxPixels: 20, dyPixels: -12, share: 0.25 });
    const a = moments(electrons, middle, middle, 8);
    const b = moments(electrons, middle + 20, middle - 12, 8);
    expect(Math.abs(b.total / (a.total + b.total) - 0.25)).toBeLessThan(0.01);
    expect(Math.abs(b.x - a.x - 20)).toBeLessThan(0.1);
    expect(Math.abs(b.y - a.y + 12)).toBeLessThan(0.1);
  });

  it("wind blurs by the spread asked for, differently in each frame", () => {
    const found = [1, 2].map((seed) =>
      moments(electronsOf({ ...dark, seed, fault: "wind" }).electrons, middle, middle, 60)
    );
    for (const each of found) expect(each.xx + each.yy).toBeGreaterThan(still.xx + still.yy + 0.8);
    expect(found[0].xx).not.toBe(found[1].xx);
  });

  it("tilt makes stars larger on one side", () => {
    const width = (east: number, north: number) => {
      const off = { ...star, east: east * arcsecPerPixelOf(rig), north: north * arcsecPerPixelOf(rig) };
      const { electrons } = electronsOf({ ...dark, upDegrees: 0, fault: "tilt" }, [off]);
      return moments(electrons, middle - east, middle - north, 20).xx;
    };
    // tilt grows towards +x and +y at 35°
    expect(width(-50, -35)).toBeGreaterThan(1.5 * width(50, 35));
  });

  it("a cap lets nothing in, dawn brightens the sky without dimming the star", () => {
    expect(sum(electronsOf({ fault: "cap" }).electrons)).toBe(0);
    const dawn = electronsOf({ fault: "twilight" });
    const night = electronsOf({});
    // 14 times the sky of 20.8 magnitudes at 550 nm, with the colour of a black body of 9500 K
    const width = blackBodyWidth(passbandOf(rig, "Ha"), 9500);
    const pixel = arcsecPerPixelOf(rig) ** 2;
    const added = 14 * 300 * pixel * magnitudeRate(20.8, collectingAreaSquareCm(rig), width);
    const grown = dawn.truth.backgroundElectrons[0] - night.truth.backgroundElectrons[0];
    expect(Math.abs(grown / added - 1)).toBeLessThan(1e-9);
    expect(dawn.truth.transparency).toBe(night.truth.transparency);
  });

  it("a satellite leaves the electrons a pixel of path that were asked for; an aircraft flashes beside a second trail", () => {
    const { electrons } = electronsOf(
      { ...dark, fault: "satellite", faultSettings: { degrees: 0, electronsPerPixel: 500 } },
      [],
    );
    for (const column of [10, 80, 150]) {
      let total = 0;
      for (let y = 0; y < size; y++) total += electrons[y * size + column];
      expect(Math.abs(total / 500 - 1)).toBeLessThan(0.01);
    }
    const plane = electronsOf({ ...dark, fault: "aircraft", faultSettings: { degrees: 0 } }, []).electrons;
    const columns = Array.from({ length: size }, (_, x) => {
      let total = 0;
      for (let y = 0; y < size; y++) total += plane[y * size + x];
      return total;
    });
    expect(Math.max(...columns) / Math.min(...columns)).toBeGreaterThan(4);
  });

  it("refuse a setting they do not have", () => {
    expect(() => moved("cap", { opacity: 1 })).toThrow(/fault "cap" has no setting "opacity"; it has none/);
  });
});

describe("simulateFrame", () => {
  it("writes a header that describes the frame", () => {
    const { image } = simulateFrame(resizeRig(pocketRig, { width: 32, height: 24 }), sceneOf([]), {
      exposureSeconds: 10,
    });
    const facts = describeFrame(image.header);
    expect(facts.kind).toBe("light");
    expect(facts.exposureSeconds).toBe(10);
    expect(facts.bayer).toBe("GBRG");
    expect(facts.object).toBe("Test");
    expect(facts.electronsPerAdu).toBe(1.6);
    expect(Math.abs((facts.arcsecPerPixel ?? 0) - 206.264806 * 3.3 / 275)).toBeLessThan(1e-5);
    expect(cardValue(image.header, "FILTER")).toBeUndefined();
  });

  it("gives the same frame for the same seed, another for another", () => {
    const small = resizeRig(longRig, { width: 40, height: 30 });
    const once = simulateFrame(small, sceneOf([star]), { seed: 7 }).image.planes[0].data;
    expect(simulateFrame(small, sceneOf([star]), { seed: 7 }).image.planes[0].data).toEqual(once);
    expect(simulateFrame(small, sceneOf([star]), { seed: 8 }).image.planes[0].data).not.toEqual(once);
  });

  it("has the noise of its light: variance is electrons + read noise² (Poisson), within 5 %", () => {
    const small = { ...resizeRig(longRig, { width: 120, height: 120 }), vignetting: 0 };
    const options = { skyMagnitude: 17, townSlope: 0 };
    const a = simulateFrame(small, sceneOf([]), { ...options, seed: 1 });
    const b = simulateFrame(small, sceneOf([]), { ...options, seed: 2 });
    const differences = a.image.planes[0].data.map((x, i) => 2.5 * (x - b.image.planes[0].data[i])).sort();
    const spread = (differences[Math.floor(0.8413 * 14400)] - differences[Math.floor(0.1587 * 14400)]) / 2;
    const expected = Math.sqrt(2 * (a.truth.backgroundElectrons[0] + a.truth.darkElectrons + 2.6 ** 2 + 0.5 ** 2));
    expect(Math.abs(spread / expected - 1)).toBeLessThan(0.05);
  });
});
