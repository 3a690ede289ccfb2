/**
 * `deno run -A tests/bench/measure_accuracy.ts [--from SEED] [--seeds N]`: how far measurements lie from the truth, on
 * seeds that nothing was tuned on (tuning used seeds below 100; the default starts at 1000).
 */
import { parseArgs } from "node:util";
import "../../lib/host/deno.ts";
import { madSigma } from "../../lib/stats/mad_sigma.ts";
import { median } from "../../lib/stats/median.ts";
import { fieldErrors, fieldKinds, type FrameErrors, frameErrors } from "../support/measure_accuracy.ts";

const { values: options } = parseArgs({
  options: { from: { type: "string", default: "1000" }, seeds: { type: "string", default: "20" } },
});
const from = Number(options.from);
const seeds = Array.from({ length: Number(options.seeds) }, (_, k) => from + k);
const percent = (value: number) => `${(100 * value).toFixed(2)} %`;

for (const colour of [false, true]) {
  const frames: FrameErrors[] = seeds.map((seed) => frameErrors(seed, colour));
  const widths = frames.map((each) => each.fwhm);
  const long = frames.filter((each) => each.eccentricity[0] > 0.4);
  const worst = (of: (each: FrameErrors) => number, list = frames) => Math.max(...list.map(of));
  console.log(`${frames[0].rig}, ${frames.length} frames, ${median(frames.map((each) => each.stars))} stars`);
  console.log(
    `  FWHM: bias ${percent(median(widths) - 1)}, scatter ${percent(madSigma(widths))}, worst ${
      percent(worst((e) => Math.abs(e.fwhm - 1)))
    }`,
  );
  console.log(
    `  eccentricity above 0.4 (${long.length}): worst error ${
      worst((e) => Math.abs(e.eccentricity[1] - e.eccentricity[0]), long).toFixed(3)
    }, direction ${worst((e) => e.direction, long).toFixed(1)}°`,
  );
  console.log(
    `  background: worst error over its allowance of 0.5 ADU + 0.2 %: ${
      worst((e) => Math.abs(e.background[1] - e.background[0]) / (0.5 + 0.002 * e.background[0])).toFixed(2)
    }`,
  );
  console.log(
    `  transparency: worst error ${
      percent(worst((e) => Math.abs(e.transparency[1] / e.transparency[0] - 1)))
    }, median ${percent(median(frames.map((e) => Math.abs(e.transparency[1] / e.transparency[0] - 1))))}`,
  );
}
console.log("isolated stars, borders included: complete from true SNR 7, pure over all listed");
for (const kind of fieldKinds) {
  const fields = seeds.map((seed) => fieldErrors(seed, kind));
  const sum = (of: (each: typeof fields[number]) => number) => fields.reduce((s, each) => s + of(each), 0);
  console.log(
    `  ${kind}: ${percent(sum((e) => e.found) / sum((e) => e.due))} of ${sum((e) => e.due)}, ${
      percent(
        1 - sum((e) => e.false) / sum((e) => e.listed),
      )
    }`,
  );
}
