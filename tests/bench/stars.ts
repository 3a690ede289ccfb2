/**
 * `deno run -A tests/bench/stars.ts [--rounds N] [--stars N]`: finding and measuring stars against SEP on the same
 * frame in the same run, one thread each, processor time, best of the rounds taken in turn; SEP at the setting that is
 * most complete among those as pure as we are. PEER_PYTHON names an interpreter with numpy and SEP. Then a whole
 * frame's measurement: time, projected to a thousand frames on two cores, and work space.
 */
import { spawnSync } from "node:child_process";
import { mkdtempSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import process from "node:process";
import { parseArgs } from "node:util";
import "../../lib/host/deno.ts";
import { createImage, type Image } from "../../lib/core/image.ts";
import { borrowPlane } from "../../lib/core/memory.ts";
import { randomStream } from "../../lib/core/random.ts";
import { detectStars } from "../../lib/stars/detect_stars.ts";
import { measureFrame } from "../../lib/measure/measure_frame.ts";
import { drawStars, noiseArea, testProfile, type TestStar } from "../support/scenes.ts";

const { values: options } = parseArgs({
  options: { rounds: { type: "string", default: "5" }, stars: { type: "string", default: "1500" } },
});
const rounds = Number(options.rounds);
const width = 1920;
const height = 1080;
const noise = 25;
const profile = { ...testProfile, fwhm: 3.3, beta: 3.2 };

/** Stars at random places, numbers falling with the flux as 1/F, on a sloping sky. */
function frame(): { image: Image; stars: (TestStar & { snr: number; isolated: boolean })[] } {
  const random = randomStream("bench stars");
  const unit = noise * Math.sqrt(noiseArea(profile));
  const stars = Array.from({ length: Number(options.stars) }, () => {
    const snr = 4 * Math.min(1000, 1 / Math.max(1e-9, random.uniform()));
    return { x: random.uniform() * (width - 1), y: random.uniform() * (height - 1), flux: snr * unit, snr };
  });
  const light = new Float32Array(width * height);
  drawStars(light, width, height, stars, profile);
  const data = borrowPlane(width * height);
  for (let y = 0, i = 0; y < height; y++) {
    for (let x = 0; x < width; x++, i++) {
      const sky = 1000 + 120 * x / width + 60 * (y / height) ** 2;
      data[i] = Math.round(sky + light[i] + Math.sqrt(noise ** 2 + light[i]) * random.gaussian());
    }
  }
  const image = createImage({ width, height, unit: "adu", planes: [{ channel: "L", data }] });
  // On its own: nothing as bright as a twentieth of it within four widths, its whole core in the frame.
  const far = 4 * profile.fwhm;
  const isolated = (star: (typeof stars)[number]) =>
    Math.min(star.x, star.y, width - 1 - star.x, height - 1 - star.y) > 3 &&
    stars.every((other) =>
      other === star ||
      Math.hypot(other.x - star.x, other.y - star.y) > far * Math.max(1, Math.log10(other.snr / star.snr) + 1)
    );
  return { image, stars: stars.map((star) => ({ ...star, isolated: isolated(star) })) };
}

/** Processor seconds of a piece of work. */
function processor(work: () => void): number {
  const before = process.cpuUsage();
  work();
  const { user, system } = process.cpuUsage(before);
  return (user + system) / 1e6;
}

const { image, stars } = frame();
const found = detectStars(image).stars;
const near = (a: { readonly x: number; readonly y: number }, b: { readonly x: number; readonly y: number }) =>
  (a.x - b.x) ** 2 + (a.y - b.y) ** 2 < 4;
const due = stars.filter((star) => star.isolated && star.snr >= 7);
const complete = due.filter((star) => found.some((each) => near(star, each))).length / due.length;
const pure = found.filter((each) => stars.some((star) => near(star, each))).length / found.length;

const folder = mkdtempSync(join(tmpdir(), "faintlight-stars-"));
const raw = join(folder, "frame.f32");
const truth = join(folder, "truth.json");
const { data } = image.planes[0];
writeFileSync(raw, new Uint8Array(data.buffer, data.byteOffset, data.byteLength));
writeFileSync(truth, JSON.stringify(stars));
const python = process.env.PEER_PYTHON ?? "python3";
const script = new URL("./stars_sep.py", import.meta.url).pathname;

interface Peer {
  readonly complete: number;
  readonly pure: number;
  readonly found: number;
  readonly threshold: number;
  readonly least: number;
  readonly seconds: number;
  readonly version: string;
}
let peer: Peer | null = null;
let detection = Infinity;
let whole = Infinity;
for (let k = 0; k < 20; k++) measureFrame(image);
for (let round = 0; round < rounds; round++) {
  for (let k = 0; k < 10; k++) {
    detection = Math.min(detection, processor(() => void detectStars(image)));
    whole = Math.min(whole, processor(() => void measureFrame(image)));
  }
  const { stdout } = spawnSync(python, [script, raw, String(width), String(height), truth, "5"], {
    encoding: "utf8",
    input: `${pure}\n`,
  });
  const line = (stdout ?? "").split("\n").find((each) => each.startsWith("{"));
  if (line === undefined) break;
  const now: Peer = JSON.parse(line);
  if (peer === null || now.seconds < peer.seconds) peer = now;
}
rmSync(folder, { recursive: true });

const share = (value: number) => `${(100 * value).toFixed(1)} %`;
const time = (value: number) => `${(1000 * value).toFixed(1)} ms`;
console.log(`${width} × ${height}, ${stars.length} stars; ${due.length} isolated ones of true SNR ≥ 7`);
console.log(`ours: ${share(complete)} complete, ${share(pure)} pure, ${found.length} stars, ${time(detection)}`);
if (peer === null) console.log(`SEP: none; ${python} lacks numpy or sep (set PEER_PYTHON)`);
else {
  console.log(
    `SEP ${peer.version}: ${share(peer.complete)} complete, ${share(peer.pure)} pure, ${peer.found} sources, ${
      time(peer.seconds)
    } (threshold ${peer.threshold}, ${peer.least} pixels)`,
  );
  console.log(`SEP / ours: ${(peer.seconds / detection).toFixed(2)} (goal ≥ 5)`);
}
console.log(
  `measureFrame: ${time(whole)}, a thousand frames on two cores ${(whole * 500).toFixed(0)} s and their reading`,
);

// Work space, on a frame large enough that the program itself does not count: the same one twelve times over. Borrowed
// planes are kept, so that what is resident afterwards is the most there was.
const large = borrowPlane(12 * data.length);
for (let k = 0; k < 12; k++) large.set(data, k * data.length);
const tall = createImage({ width, height: 12 * height, unit: "adu", planes: [{ channel: "L", data: large }] });
const before = process.memoryUsage().rss;
measureFrame(tall);
const bytes = (process.memoryUsage().rss - before) / large.byteLength;
console.log(`work space of measureFrame: ${bytes.toFixed(1)} bytes for each of the frame's (goal ≤ 6)`);
