/** Covers watch_night_options.ts, watch_files.ts, watch_lights.ts, watch_news.ts and watch_calibration.ts. */
import { afterAll, describe, expect, it } from "vitest";
import {
  appendFileSync,
  mkdirSync,
  mkdtempSync,
  readFileSync,
  renameSync,
  rmSync,
  statSync,
  utimesSync,
  writeFileSync,
} from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import {
  type FaultName,
  longRig,
  pocketRig,
  resizeRig,
  simulateCalibration,
  simulateFrame,
  starScene,
} from "../../lib/doors/simulate.ts";
import { randomStream } from "../../lib/doors/stats.ts";
import { type Image, type NightWatch, type WatchNews, watchNight, writeFits } from "../../lib/mod.ts";
import { knownCalibrationFaults } from "../../lib/simulate/calibration_faults.ts";

const folder = mkdtempSync(join(tmpdir(), "faintlight-watch-"));
afterAll(() => rmSync(folder, { recursive: true }));

const rig = resizeRig(longRig, { width: 400, height: 300 });
const scene = starScene({ starsToMagnitude15: 6000, maximumMagnitude: 16 });
let minute = 0;

/** A light written whole, with the seeing of a real night. */
function light(file: string, fault: FaultName = "none", widening = 1): void {
  const random = randomStream(file);
  const { image } = simulateFrame(rig, scene, {
    seed: file,
    filter: "OIII",
    dateUtc: new Date(Date.UTC(2026, 9, 3, 21, 6 * minute++)).toISOString().slice(0, 19),
    fwhmArcsec: rig.fwhmArcsec * widening * (1 + 0.02 * random.gaussian()),
    fault,
  });
  writeFits(join(folder, file), image, { bitpix: 16 });
}

let clock = 0;
/** Looks until nothing is new, at most ten times; time goes by as the test says. */
function looks(watch: NightWatch): WatchNews[] {
  const news: WatchNews[] = [];
  for (let i = 0; i < 10; i++) {
    const look = watch.look(clock += 3000);
    news.push(...look.news);
    if (look.arriving === 0 && look.waiting === 0) break;
  }
  return news;
}
const kinds = (news: readonly WatchNews[]) => news.map((each) => `${each.kind} ${each.file}`);

describe("watchNight over a folder that grows", () => {
  const watch = watchNight(folder);
  it("measures a frame at the second look that finds it unchanged", () => {
    expect(looks(watch)).toEqual([]);
    light("a1.fits");
    expect(watch.look(clock += 3000)).toEqual({ news: [], arriving: 1, waiting: 0 });
    const { news } = watch.look(clock += 3000);
    expect(kinds(news)).toEqual(["calibration ", "frame a1.fits"]);
    expect(news[0].text).toContain(
      "Long + KP Mono 5.4 · OIII: no dark and no flat fits; lights are measured as they are",
    );
    expect(news[1].text).toMatch(/^\d+ stars, FWHM 2\.\d+ px \(\d\.\d arcsec\), sky 31\d ADU: keep$/);
    expect(watch.look(clock += 3000).news).toEqual([]);
  });
  it("takes a backlog a few at a time", () => {
    for (const n of [2, 3, 4, 5, 6, 7]) light(`a${n}.fits`);
    expect(watch.look(clock += 3000).arriving).toBe(6);
    const first = watch.look(clock += 3000);
    expect([first.news.length, first.waiting]).toEqual([4, 2]);
    expect(kinds(watch.look(clock += 3000).news)).toEqual(["frame a6.fits", "frame a7.fits"]);
    expect(watch.standing().kept).toBe(7);
  });
  it("waits for a file that arrives in pieces, however long it takes", () => {
    light("whole.tmp");
    const bytes = readFileSync(join(folder, "whole.tmp"));
    rmSync(join(folder, "whole.tmp"));
    const path = join(folder, "b1.fits");
    const third = Math.floor(bytes.length / 3);
    writeFileSync(path, bytes.subarray(0, third));
    for (let i = 0; i < 3; i++) expect(watch.look(clock += 3000).news).toEqual([]);
    appendFileSync(path, bytes.subarray(third, 2 * third));
    for (let i = 0; i < 3; i++) expect(watch.look(clock += 3000).news).toEqual([]);
    appendFileSync(path, bytes.subarray(2 * third));
    expect(kinds(looks(watch))).toEqual(["frame b1.fits"]);
  });
  it("says what is wrong at once with what helps, once, and when it is over", () => {
    light("c1.fits", "cap");
    const [frame, warning] = looks(watch);
    expect(frame.text).toContain("reject");
    expect(warning.kind).toBe("warning");
    expect(warning.text).toContain("no light gets in: the cap is on or the shutter closed");
    expect(warning.text).toContain("open the cap");
    light("c2.fits", "cap");
    expect(kinds(looks(watch))).toEqual(["frame c2.fits"]);
    light("c3.fits");
    const news = looks(watch);
    expect(kinds(news)).toEqual(["frame c3.fits", "relief c3.fits"]);
    expect(news[1].text).toBe("good again after 2 frames (lens cap or shutter closed)");
  });
  it.each<[FaultName, string]>([
    ["cloud", "cloud is passing"],
    ["drift", "stars trail in one direction"],
    ["focus-drift", "the focus has drifted"],
    ["guiding-jump", "every star is double"],
  ])("warns of %s in plain words", (fault, words) => {
    light(`d-${fault}.fits`, fault);
    expect(looks(watch).find((each) => each.kind === "warning")?.text).toContain(words);
  });
  it("warns of a focus that creeps before a frame is lost", () => {
    [1, 1.02, 1.05, 1.08, 1.12, 1.16, 1.2].forEach((widening, i) => light(`e${i}.fits`, "none", widening));
    const news = looks(watch).filter((each) => each.text.includes("the focus may be drifting"));
    expect(news.length).toBe(1);
    expect(news[0].text).toMatch(/stars have grown from 2\.\d+ to \d\.\d+ px/);
  });
  it("is not stopped by junk, broken files and files that go away", () => {
    writeFileSync(join(folder, "notes.txt"), "seeing good");
    writeFileSync(join(folder, "empty.fits"), "");
    writeFileSync(join(folder, "junk.fits"), "SIMPLE  =                    T / but nothing after it");
    mkdirSync(join(folder, "folder.fits"));
    light("gone.fits");
    watch.look(clock += 3000);
    rmSync(join(folder, "gone.fits"));
    const news = looks(watch);
    expect(kinds(news).sort()).toEqual(["trouble empty.fits", "trouble junk.fits"]);
    expect(news.every((each) => each.text.length > 10 && !each.text.includes(folder))).toBe(true);
    light("f1.fits");
    expect(kinds(looks(watch))[0]).toBe("frame f1.fits");
  });
  it("keeps a frame's place when the file is renamed or moved, and judges one that is written anew", () => {
    const before = watch.standing().lights;
    mkdirSync(join(folder, "sorted"));
    renameSync(join(folder, "a1.fits"), join(folder, "sorted", "first.fits"));
    expect(looks(watch)).toEqual([]);
    expect(watch.standing().lights).toBe(before);
    light("a2.fits", "cap");
    expect(kinds(looks(watch))).toEqual(["frame a2.fits", "warning a2.fits"]);
    expect(watch.standing().lights).toBe(before);
    light("a2.fits");
    expect(kinds(looks(watch))).toEqual(["frame a2.fits", "relief a2.fits"]);
  });
  it("sees frames in folders that are made later", () => {
    mkdirSync(join(folder, "later", "still"), { recursive: true });
    light("later/still/g1.fits");
    expect(kinds(looks(watch))[0]).toBe("frame later/still/g1.fits");
  });
  it("asks again for a file that could not be read", () => {
    light("locked.fits");
    const path = join(folder, "locked.fits");
    const away = join(folder, "elsewhere");
    // as when a share hands out nonsense for a while: size and time of the file stay as they are
    renameSync(path, away);
    const broken = Uint8Array.from(readFileSync(away));
    broken.fill(0x20, 0, 80);
    writeFileSync(path, broken);
    const { mtime, atime } = statSync(path);
    expect(kinds(looks(watch))).toEqual(["trouble locked.fits"]);
    writeFileSync(path, readFileSync(away));
    utimesSync(path, atime, mtime);
    const news: WatchNews[] = [];
    for (let i = 0; i < 25; i++) news.push(...watch.look(clock += 3000).news);
    expect(kinds(news)).toEqual(["frame locked.fits"]);
  });
  it("tells when no frame comes any more, and sums up", () => {
    const before = watch.lastChange();
    const news = watch.look(clock += 3600000).news;
    expect(news.map((each) => each.kind)).toEqual(["silence"]);
    expect(news[0].text).toContain("no new light for 60 min");
    expect(watch.look(clock += 3000).news).toEqual([]);
    expect(watch.lastChange()).toBe(before);
    expect(watch.summary()[0]).toMatch(/^\d+ of \d+ lights are worth keeping \(1\.\d h\); lost: 2 × lens cap/);
  });
});

describe("watchNight with calibration frames", () => {
  const own = mkdtempSync(join(tmpdir(), "faintlight-watch-"));
  afterAll(() => rmSync(own, { recursive: true }));
  const write = (file: string, image: Image) => writeFits(join(own, file), image, { bitpix: 16 });
  const expose = (seed: number) =>
    simulateFrame(rig, scene, {
      seed,
      filter: "OIII",
      dateUtc: new Date(Date.UTC(2026, 9, 3, 21, 6 * seed)).toISOString().slice(0, 19),
    });
  const watch = watchNight(own);
  const skyOf = ({ text }: WatchNews) => Number(/sky (-?[\d.]+) ADU/.exec(text)?.[1]);

  it("takes the ones it finds before any light, and says which", () => {
    for (const seed of [1, 2, 3]) {
      write(`darks/${seed}.fits`, simulateCalibration(rig, { kind: "dark", seed }).image);
      write(`flat-darks/${seed}.fits`, simulateCalibration(rig, { kind: "flat-dark", seed }).image);
    }
    const { image, truth } = expose(1);
    write("lights/1.fits", image);
    const news = looks(watch);
    expect(kinds(news)).toEqual(["calibration ", "frame lights/1.fits"]);
    expect(news[0].text).toMatch(/OIII: lights are calibrated with 3 darks$/);
    // what the sky alone gives, without the electronic level of 300 ADU
    const sky = truth.backgroundElectrons[0] / rig.detector.electronsPerAdu;
    expect(Math.abs(skyOf(news[1]) - sky)).toBeLessThan(0.02 * sky + 1);
  });
  it("measures the last lights again when others come, so that the next one is compared with its like", () => {
    for (const seed of [2, 3, 4, 5, 6]) write(`lights/${seed}.fits`, expose(seed).image);
    expect(looks(watch).filter((each) => each.kind !== "frame")).toEqual([]);
    for (const seed of [1, 2, 3]) {
      write(`flats/${seed}.fits`, simulateCalibration(rig, { kind: "flat", filter: "OIII", seed }).image);
    }
    expect(looks(watch)).toEqual([]);
    write("lights/7.fits", expose(7).image);
    const news = looks(watch);
    expect(news.map((each) => each.kind)).toEqual(["calibration", "frame"]);
    expect(news[0].text).toMatch(/OIII: lights are calibrated with 3 darks and 3 flats from here on$/);
    // compared at once with those before: the share of the night's flux is known
    expect(news[1].text).toMatch(/% of the night's flux: keep$/);
    expect(watch.summary()).toEqual(["7 of 7 lights are worth keeping (35 min)", "9 calibration frames seen"]);
  });
  it("tells of a calibration frame that is wrong while it can be taken again, and does not use it", () => {
    const { kind, options } = knownCalibrationFaults["moved-dust"];
    write("flats/4.fits", simulateCalibration(rig, { kind, filter: "OIII", ...options }).image);
    const news = looks(watch);
    expect(kinds(news)).toEqual(["trouble flats/4.fits"]);
    expect(news[0].text).toContain("dust moved");
    write("lights/8.fits", expose(8).image);
    expect(looks(watch).map((each) => each.kind)).toEqual(["frame"]);
  });
  it("follows two rigs in one folder, each with its own", () => {
    const other = resizeRig(pocketRig, { width: 400, height: 300 });
    const pocketScene = starScene({ starsToMagnitude15: 3000, maximumMagnitude: 15 });
    write("pocket/1.fits", simulateFrame(other, pocketScene, { seed: 1, exposureSeconds: 10 }).image);
    const news = looks(watch);
    expect(news.map((each) => each.kind)).toEqual(["calibration", "frame"]);
    expect(news[0].text).toContain("Pocket + KP Colour 3.3: no dark and no flat fits");
    write("lights/9.fits", expose(9).image);
    expect(looks(watch).map((each) => each.kind)).toEqual(["frame"]);
  });
});

describe("watchNight at the start of a night", () => {
  it("judges the first frames by themselves", () => {
    const own = mkdtempSync(join(tmpdir(), "faintlight-watch-"));
    const first = simulateFrame(rig, scene, { seed: 1, filter: "OIII", fault: "cap" }).image;
    writeFits(join(own, "first.fits"), first, { bitpix: 16 });
    const watch = watchNight(own);
    const news = looks(watch);
    expect(news[2].text).toContain("no stars: cap, cloud, or far out of focus");
    expect(watch.standing().kept).toBe(0);
    rmSync(own, { recursive: true });
  });
  it("says once that the folder is away", () => {
    const watch = watchNight(join(folder, "not there"));
    expect(watch.look(0).news.map((each) => each.text)).toEqual(["the folder cannot be listed; is the drive there?"]);
    expect(watch.look(1).news).toEqual([]);
  });
  it("refuses options that make no sense", () => {
    expect(() => watchNight(folder, { patience: 0 })).toThrow("watchNight: patience must be > 0, but got 0");
    expect(() => watchNight(folder).look(NaN)).toThrow("milliseconds must be finite, but got NaN");
  });
});
