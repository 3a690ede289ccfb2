/** Steps of a recipe on an invented scene, reached through the step table alone: what a page runs. */
import { allocatePlane, createImage, type Image } from "../../lib/core/image.ts";
import { setHost } from "../../lib/core/host.ts";
import { randomStream } from "../../lib/core/random.ts";
import { pageHost } from "../../lib/host/page.ts";
import { kernelKind } from "../../lib/kernels/machine.ts";
import { imageDigest } from "../../lib/pipeline/image_digest.ts";
import { findStep, type StepOptions } from "../../lib/pipeline/step.ts";
import { workerCount } from "../../lib/parallel/pool.ts";

const width = 192;
const height = 160;

/** Three channels of a sky with a gradient, noise and stars. */
function scene(): Image {
  const random = randomStream("a page's scene");
  const stars = Array.from({ length: 60 }, () => ({
    x: width * random.uniform(),
    y: height * random.uniform(),
    peak: 200 / (0.05 + random.uniform()),
  }));
  const planes = ["R", "G", "B"].map((channel, c) => {
    const data = allocatePlane(width, height);
    for (let y = 0; y < height; y++) {
      for (let x = 0; x < width; x++) {
        let flux = 900 + 2 * x + (c + 1) * y + 12 * random.gaussian();
        for (const star of stars) flux += star.peak / (1 + ((x - star.x) ** 2 + (y - star.y) ** 2) / 3) ** 3;
        data[y * width + x] = flux;
      }
    }
    return { channel, data };
  });
  return createImage({ width, height, planes, unit: "adu" }, { step: "pageScene", options: {} });
}

/** What the steps made: where they ran, and for each of them the name of its work and of its samples. */
export interface StepsAnswer {
  /** What ran the kernels. */
  readonly kernels: string;
  /** Number of workers. */
  readonly workers: number;
  /** By step: id in the history, digest of the samples. */
  readonly made: Readonly<Record<string, readonly [string, string]>>;
}

/** Run the steps on the host that is installed. */
export function runSteps(): StepsAnswer {
  const made: Record<string, [string, string]> = {};
  const run = (step: string, inputs: readonly Image[], options: StepOptions = {}, output = ""): Image => {
    const image = findStep(step).run(inputs, options)[output] as Image;
    made[`${step} ${output}`] = [image.history.head, imageDigest(image)];
    return image;
  };
  const even = run("extractGradient", [scene()], {}, "image");
  const starless = run("separateStars", [even], {}, "starless");
  const stars = run("separateStars", [even], {}, "stars");
  const denoised = run("reduceNoise", [starless]);
  const whole = run("recombineStars", [denoised, stars]);
  const stretched = run("automaticStretch", [whole]);
  run("equaliseAdaptiveHistogram", [run("enhanceDetail", [run("saturate", [stretched])])]);
  return { kernels: kernelKind(), workers: workerCount(), made };
}

/** Run the steps as a page does. */
export function runInPage(kernels: Uint8Array<ArrayBuffer>): StepsAnswer {
  setHost(pageHost(kernels));
  return runSteps();
}
