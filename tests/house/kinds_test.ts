/** Every function of the main door that takes an image says by name what it got instead. */
import { describe, expect, it } from "vitest";
import { spawnSync } from "node:child_process";
import { fileURLToPath } from "node:url";
import { constantImage, extractGradient, reduceNoise } from "faintlight";
import { calibrateFrame } from "faintlight";
import { createImage } from "faintlight/extend";
import { doorValues } from "./doors.ts";

const root = fileURLToPath(new URL("../../", import.meta.url));

interface Parameter {
  readonly tsType?: { readonly repr?: string };
}
interface Documented {
  readonly name: string;
  readonly declarations: readonly {
    readonly kind: string;
    readonly def?: { readonly params?: readonly Parameter[] };
  }[];
}

/** Names of the functions of the main door whose first argument is an image. */
function takingAnImage(): readonly string[] {
  const made = spawnSync("deno", ["doc", "--json", "lib/mod.ts"], { cwd: root, encoding: "utf8", maxBuffer: 1 << 28 });
  const nodes: Record<string, { symbols: readonly Documented[] }> = JSON.parse(made.stdout).nodes;
  return Object.values(nodes).flatMap(({ symbols }) => symbols).filter(({ declarations }) =>
    declarations.some(({ kind, def }) => kind === "function" && def?.params?.[0]?.tsType?.repr === "Image")
  ).map(({ name }) => name);
}

type Call = (image: unknown) => unknown;
const door = (await doorValues()).get("faintlight") as Readonly<Record<string, Call>>;

describe("functions of the main door", () => {
  const names = takingAnImage();

  it("take images in good number", () => expect(names.length).toBeGreaterThan(40));

  it.each(names)("%s refuses a path where an image belongs", (name) => {
    expect(() => door[name]("img.fits")).toThrow(
      /^\w+: \w+ must be an image, but got the text "img.fits"; read the file/,
    );
  });

  it("refuse a text or a yes where a number belongs", () => {
    const image = constantImage(9, 9, 1);
    expect(() => reduceNoise(image, { thresholdSigma: "3" as unknown as number })).toThrow(
      'reduceNoise: thresholdSigma must be a number, but got the text "3"',
    );
    expect(() => reduceNoise(image, { thresholdSigma: true as unknown as number })).toThrow(
      "thresholdSigma must be a number",
    );
  });

  it("refuse an unknown unit", () => {
    const planes = [{ channel: "L", data: new Float32Array(1) }];
    expect(() => createImage({ width: 1, height: 1, planes, unit: "counts" as "adu" })).toThrow(
      "createImage: unit must be one of adu, electron, electron/s",
    );
  });

  it("refuse a stretched picture as a dark or a flat", () => {
    const light = constantImage(4, 4, 600);
    const drawn = constantImage(4, 4, 0.5, { unit: "display" });
    expect(() => calibrateFrame(light, { dark: drawn })).toThrow("dark must be linear");
    expect(() => calibrateFrame(light, { flat: drawn })).toThrow("flat must be linear");
  });

  it.each([NaN, Infinity, -Infinity])("refuse an image of nothing but %s", (value) => {
    expect(() => extractGradient(constantImage(64, 64, value))).toThrow(
      "extractGradient: image must hold at least one number",
    );
  });
});
