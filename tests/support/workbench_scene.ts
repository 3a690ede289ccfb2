/** A small linear field for tests of the workbench: a sky with a gradient and noise, a glow and stars. */
import { createImage, type Image } from "../../lib/core/image.ts";
import { randomStream } from "../../lib/core/random.ts";

/** Three channels, or one. */
export function workbenchScene(width: number, height: number, channels: readonly string[]): Image {
  const random = randomStream("at the workbench");
  const stars = Array.from({ length: 40 }, () => ({
    x: width * random.uniform(),
    y: height * random.uniform(),
    peak: 300 / (0.03 + random.uniform()),
  }));
  const planes = channels.map((channel, c) => {
    const data = new Float32Array(width * height);
    for (let i = 0; i < data.length; i++) {
      const [x, y] = [i % width, Math.floor(i / width)];
      let flux = 900 + 0.3 * x + 0.1 * (c + 1) * y + 9 * random.gaussian();
      flux += (300 - 80 * c) * Math.exp(-((x - width / 2) ** 2 + (y - height / 2) ** 2) / (0.04 * width * width));
      for (const star of stars) flux += star.peak / (1 + ((x - star.x) ** 2 + (y - star.y) ** 2) / 3) ** 3;
      data[i] = flux;
    }
    return { channel, data };
  });
  return createImage({ width, height, planes, unit: "adu" }, { step: "workbenchScene", options: { width, height } });
}
