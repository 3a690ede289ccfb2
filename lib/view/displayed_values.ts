/** How the library's values show themselves as the last line of a cell and in `show`; loaded by the door. */
import type { Image } from "../core/image.ts";
import type { Effect } from "../effect/measure_effect.ts";
import type { StarList } from "../stars/detect_stars.ts";
import type { Comparison } from "./comparison.ts";
import { effectView } from "./effect_view.ts";
import { registerView } from "./show.ts";
import { starTable } from "./star_table.ts";
import { surfaceView } from "./surface_view.ts";

registerView("stars", (stars: StarList) => [starTable(stars)]);
registerView("effect", (effect: Effect) => [effectView(effect)]);
registerView("comparison", (comparison: Comparison) => [comparison.slider]);

/** What is drawn of a background surface. */
interface ShownSurface {
  readonly image: Image;
  /** Boxes it was fitted to; those without a doubt were used. */
  readonly samples: readonly { readonly x: number; readonly y: number; readonly doubt: string }[];
}

registerView("surface", ({ image, samples }: ShownSurface) => {
  const marked = samples.map(({ x, y, doubt }) => ({ x, y, used: doubt === "" }));
  return [surfaceView(image, { title: "Background surface and its samples", samples: marked })];
});
