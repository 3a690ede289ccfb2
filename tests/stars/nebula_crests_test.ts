import { readFileSync } from "node:fs";
import { fileURLToPath } from "node:url";
import { describe, expect, it } from "vitest";
import { calibrateFrame } from "../../lib/calibrate/calibrate_frame.ts";
import { combineDark } from "../../lib/calibrate/combine_dark.ts";
import { combineFlat } from "../../lib/calibrate/combine_flat.ts";
import { findDefects } from "../../lib/calibrate/find_defects.ts";
import { invertMatrix } from "../../lib/core/transform.ts";
import { separateStars } from "../../lib/stars/separate_stars.ts";
import { measureEffect } from "../../lib/effect/measure_effect.ts";
import { readFits } from "../../lib/io/read_fits.ts";

const folder = fileURLToPath(new URL("../../demo-data/long/", import.meta.url));
const paths = (stem: string, count: number) =>
  Array.from({ length: count }, (_, i) => `${folder}${stem}_00${i + 1}.fits`);

describe("separateStars on a frame full of filaments", () => {
  it("takes what the truth calls stars and leaves the crests of the nebula", () => {
    // an [O III] frame of the demo night, whose truth.json holds every star to magnitude 16.5
    const dark = combineDark(paths("darks/dark_300s", 4));
    const flat = combineFlat(paths("flats/flat_OIII", 3), { dark: combineDark(paths("flat-darks/flatdark_2s", 2)) });
    const file = "lights/Lantern_OIII_300s_001.fits";
    const image = calibrateFrame(readFits(folder + file), { dark, flat, defects: findDefects({ dark }).mask });
    const truth = JSON.parse(readFileSync(`${folder}truth.json`, "utf8"));
    const { skyMatrix } = truth.lights.find((light: { file: string }) => light.file === file);
    const m = invertMatrix(skyMatrix);
    const places = truth.stars.map(({ east, north }: { east: number; north: number }) => ({
      x: m[0] * east + m[1] * north + m[2],
      y: m[3] * east + m[4] * north + m[5],
    })) as { x: number; y: number }[];
    const { list, starless } = separateStars(image);
    // the faintest stars that are found lie below magnitude 16.5, and some knots look like stars; most must be known
    const unknown = list.filter((star) => !places.some((place) => Math.hypot(place.x - star.x, place.y - star.y) < 3));
    expect(unknown.length).toBeLessThan(0.5 * list.length);
    expect(list.length).toBeGreaterThan(250);
    const { nebula, stars } = measureEffect(image, starless, { changesStars: true });
    expect(Math.abs((nebula.flux ?? NaN) - 1)).toBeLessThan(0.003);
    expect(nebula.scatter).toBeLessThan(0.005);
    expect(stars.flux).toBeLessThan(0.02);
  });
});
