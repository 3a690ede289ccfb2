/** The workbench: one linear image and every choice on its way to a picture, live in a cell or in a page of its own. */
import { displayed } from "../core/display.ts";
import { host } from "../core/host.ts";
import { type Image, requireLinear } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { readAsset } from "../io/asset.ts";
import { deflate } from "../io/deflate.ts";
import { firstRowOnTop } from "../io/orientation.ts";
import { automaticStretch } from "../tone/automatic_stretch.ts";
import { type StretchSettings, stretchSettings } from "../tone/stretch.ts";
import { imageView } from "../view/image_view.ts";
import { themes, themeVariables } from "../view/palette.ts";
import { makePreview, unitLabel } from "../view/preview.ts";
import { base64 } from "../view/sheet.ts";
import type { InteractiveView } from "../view/show.ts";
import { stripAxis } from "./draw.ts";
import { partPicture, reducedPicture, wholePicture } from "./packed_picture.ts";
import { pageText } from "./page_text.ts";
import { sentencesFor } from "./sentences.ts";
import type { WorkbenchContent } from "./workbench_content.ts";

/** Options of {@linkcode workbench}. */
export interface WorkbenchOptions {
  /** Name of the variable that holds the image, for the calls to copy. */
  readonly name: string;
  /**
   * What travels in the page: `"few"`, a reduced copy of the whole and a part in real pixels, about 0.8 MB, for a
   * notebook; `"all"`, every sample as it is, for a page of its own.
   */
  readonly pixels: "few" | "all";
}

/** What {@linkcode workbench} uses for an option left out. */
export const workbenchDefaults: WorkbenchOptions = Object.freeze({ name: "image", pixels: "few" });

/** Width of the reduced copy and size of the part, pixels: together with the scripts they stay below a megabyte. */
const copyWidth = 440;
const partSize = { width: 384, height: 288 };
/** Planes that these sizes are meant for. */
const usualPlanes = 3;

/** Height of the frame in a notebook, CSS pixels. */
const frameHeight = 1150;

/** Colours of the page: the system's choice, until the person makes one. */
const themeStyle = `:root{color-scheme:light;${themeVariables(themes.light)}}
@media (prefers-color-scheme: dark){:root:not([data-theme="light"]){color-scheme:dark;${themeVariables(themes.dark)}}}
:root[data-theme="dark"]{color-scheme:dark;${themeVariables(themes.dark)}}
`;

const script = (name: string): Uint8Array => readAsset(new URL(`./built/${name}`, import.meta.url));

/** The numbers of a stretch as a person would paste them. */
function pasted(stretch: StretchSettings): StretchSettings {
  const short = (value: number) => Number(value.toPrecision(5));
  const { curve, black, white, colour, greyBelow, colourAbove } = stretch;
  return {
    curve: curve.family === "asinh" ? { family: "asinh", bend: short(curve.bend) } : curve,
    black: short(black),
    white: short(white),
    colour,
    greyBelow: short(greyBelow),
    colourAbove: short(colourAbove),
  };
}

/** The brightest place of the image when it is shrunk so far that a nebula or a cluster outshines a star. */
function brightestPlace(image: Image): { readonly x: number; readonly y: number } {
  const small = makePreview(image, { width: 24, height: 24 });
  const [plane] = small.planes;
  const at = plane.reduce((best, value, i) => value > plane[best] ? i : best, 0);
  const row = Math.floor(at / small.width);
  const stored = small.topDown ? row : small.height - 1 - row;
  return {
    x: (at % small.width + 0.5) * image.width / small.width,
    y: (stored + 0.5) * image.height / small.height,
  };
}

/** The samples that travel, the whole first. */
function picturesOf(image: Image, pixels: "few" | "all", noise: number): WorkbenchContent["pictures"] {
  const room = Math.sqrt(usualPlanes / image.planes.length);
  const width = Math.round(partSize.width * room);
  const height = Math.round(partSize.height * room);
  if (pixels === "all" || image.width <= width && image.height <= height) return [wholePicture(image)];
  return [
    reducedPicture(image, Math.round(copyWidth * room), noise),
    partPicture(image, brightestPlace(image), { width, height }, noise),
  ];
}

/**
 * The workbench for a linear image: the picture, its brightness strip and the whole recipe as sentences whose numbers
 * can be changed. The picture follows the hand; at rest it is computed by the library itself, which travels in the
 * page. States are kept and compared, and leave as a cell's calls or as a recipe. No kernel is asked, and nothing
 * outside the page.
 *
 * In: a linear image of one or three planes. Out: a view that shows itself in a notebook; its `html` is a page that
 * stands alone. With `pixels: "all"` what the page computes is what the library computes, bit for bit, for an image
 * without mask, variance and coverage.
 *
 * @throws {TypeError} if the image is a finished picture or has neither one nor three planes
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { imageFromFunction, workbench } from "faintlight";
 *
 * const image = imageFromFunction(40, 30, (x, y) => 900 + (7 * x + 13 * y) % 11);
 * assert.ok(workbench(image, { name: "stack" }).html.length < 1_000_000);
 * ```
 */
export function workbench(image: Image, options: Partial<WorkbenchOptions> = {}): InteractiveView {
  const { name, pixels } = settle("workbench", workbenchDefaults, options);
  requireLinear("workbench", image);
  const count = image.planes.length;
  if (count !== 1 && count !== 3) {
    throw new TypeError(`workbench: image must have 1 or 3 planes, but got ${count}; choose or map channels`);
  }
  if (pixels !== "few" && pixels !== "all") {
    throw new RangeError(`workbench: pixels must be "few" or "all", but got ${JSON.stringify(pixels)}`);
  }
  const found = automaticStretch(image);
  const level = found.sky.reduce((sum, each) => sum + each.level, 0) / count;
  const noise = found.sky.reduce((sum, each) => sum + each.noise, 0) / count;
  const content: WorkbenchContent = {
    name,
    stack: count === 1 ? image.planes[0].channel : "colour",
    topDown: firstRowOnTop(image.header),
    pictures: picturesOf(image, pixels, noise),
    sentences: sentencesFor(count, pasted(stretchSettings("workbench", found)), unitLabel(image.unit)),
    axis: stripAxis(image, level, noise),
  };
  const html = pageText(JSON.stringify(content), {
    style: themeStyle + new TextDecoder().decode(readAsset(new URL("./page.css", import.meta.url))),
    page: base64(deflate(script("page.js"))),
    engine: base64(deflate(script("engine.js"))),
    kernels: base64(deflate(host().kernelBytes() ?? new Uint8Array(0))),
  });
  const view: InteractiveView = { sheet: imageView(image, { title: "At the workbench" }), html, height: frameHeight };
  return displayed("workbench", view);
}
