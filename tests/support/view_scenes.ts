/** An image, a star and a night to draw sheets of. */
import { createImage, derive } from "../../lib/doors/extend.ts";
import { randomStream } from "../../lib/doors/stats.ts";
import type { Image, ReportFrame, Star } from "../../lib/mod.ts";

const random = randomStream("sheets");
const width = 120;
const height = 80;
/** A linear colour image with one bright star. */
export const linear: Image = createImage({
  width,
  height,
  unit: "adu",
  planes: ["R", "G", "B"].map((channel) => ({
    channel,
    data: Float32Array.from(
      { length: width * height },
      (_, i) =>
        1000 + 8 * random.gaussian() +
        4000 * Math.exp(-((i % width - 60) ** 2 + (Math.floor(i / width) - 40) ** 2) / 8),
    ),
  })),
});
/** The same as a finished picture. */
export const finished = derive(linear, {
  unit: "display",
  planes: linear.planes.map((plane) => ({
    ...plane,
    data: plane.data.map((v) => Math.max(0, Math.min(1, (v - 990) / 500))),
  })),
}, { step: "stretched", options: {} });
/** The star as it is measured. */
export const star: Star = {
  x: 60,
  y: 40,
  flux: 1e5,
  peak: 4000,
  snr: 90,
  fwhmPixels: 4.71,
  eccentricity: 0.4,
  elongationDegrees: 30,
  shape: [0.04, 0.07],
  halfFluxRadiusPixels: 2.4,
  background: 1000,
  saturated: false,
};
/** A row of a night. */
export const frame = (index: number, change: Partial<ReportFrame> = {}): ReportFrame => ({
  file: `lights/a&b_${index}.fits`,
  rig: "Long",
  filter: "Ha",
  exposureSeconds: 300,
  dateUtc: `2026-10-03T21:${String(index).padStart(2, "0")}:00`,
  stars: 400,
  fwhmPixels: 2.5,
  fwhmArcsec: 2.6,
  eccentricity: 0.3,
  elongationDegrees: 12,
  backgroundAdu: 1000,
  noiseAdu: 14,
  transparency: 1,
  weight: 1,
  verdict: "keep",
  cause: "clear sky",
  evidence: "",
  remedy: "",
  thumbnail: null,
  ...change,
});
/** A night with a spell of cloud and a file that cannot be read. */
export const night = [
  ...Array.from({ length: 6 }, (_, i) => frame(i)),
  ...Array.from({ length: 3 }, (_, i) => frame(6 + i, { verdict: "reject", cause: "cloud", transparency: 0.3 })),
  frame(9, { fwhmPixels: null, fwhmArcsec: null, stars: null, verdict: "unreadable", cause: "corrupt file" }),
];
