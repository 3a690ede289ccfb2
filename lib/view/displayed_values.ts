/** How the library's values show themselves as the last line of a cell and in `show`; loaded by the door. */
import type { Effect } from "../effect/measure_effect.ts";
import type { StarList } from "../stars/detect_stars.ts";
import type { Comparison } from "./comparison.ts";
import { effectView } from "./effect_view.ts";
import { registerView } from "./show.ts";
import { starTable } from "./star_table.ts";

registerView("stars", (stars: StarList) => [starTable(stars)]);
registerView("effect", (effect: Effect) => [effectView(effect)]);
registerView("comparison", (comparison: Comparison) => [comparison.slider]);
