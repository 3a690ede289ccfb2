/**
 * The workbench in a browser. Covers bench_page.ts, picture_view.ts, glass.ts, glass_shader.ts, still.ts, strip.ts,
 * sentence_form.ts, variants.ts, elements.ts, build_workbench.ts.
 */
import { afterAll, beforeAll, describe, expect, it } from "vitest";
import { mkdtempSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { imageDigest, parseRecipe, runRecipe, workbench } from "faintlight";
import { workbenchDigest, workbenchScripts } from "../../lib/app/build_workbench.ts";
import type { Image } from "../../lib/core/image.ts";
import { drawnPixels } from "../../lib/workbench/draw.ts";
import { ChromiumPage, findChromium } from "../support/chromium.ts";
import { workbenchScene } from "../support/workbench_scene.ts";

const built = new URL("../../lib/workbench/built/", import.meta.url);

describe.skipIf(!("Deno" in globalThis))("the scripts of the page", () => {
  it.each(Object.entries(workbenchScripts))("%s is made of the sources as they are", (name, entry) => {
    const [line] = readFileSync(new URL(name, built), "utf8").split("\n", 1);
    expect(line, "run `deno task build-workbench`").toBe(`// sources ${workbenchDigest(entry)}`);
  });
});

const chromium = findChromium();
const scene = workbenchScene(200, 150, ["R", "G", "B"]);

describe.skipIf(chromium === null)("the workbench in Chromium (skipped where there is none)", () => {
  const folder = mkdtempSync(join(tmpdir(), "workbench-"));
  let page: ChromiumPage;
  beforeAll(async () => {
    writeFileSync(join(folder, "bench.html"), workbench(scene, { name: "stack", pixels: "all" }).html);
    page = await ChromiumPage.start(chromium ?? "");
    await page.open(`file://${folder}/bench.html`);
    await exact();
  });
  afterAll(async () => {
    await page.close();
    rmSync(folder, { recursive: true });
  });

  /** Wait for the exact picture: its name, its samples' digest, the recipe on the page. */
  async function exact(): Promise<{ readonly head: string; readonly digest: string; readonly recipe: string }> {
    const answer = await page.evaluate(`new Promise((found) => {
      const look = () => {
        const made = globalThis.workbench?.exact?.made;
        if (made) found(JSON.stringify({ head: made.head, digest: made.digest, recipe: workbench.recipe }));
        else setTimeout(look, 20);
      };
      look();
    })`);
    return JSON.parse(String(answer));
  }
  const libraryPicture = (recipe: string): Image => runRecipe(parseRecipe(recipe, "page"), { colour: scene }) as Image;
  /** Use or leave out a step. */
  const turn = (step: string) =>
    page.evaluate(`document.querySelector('input[aria-label="${step}: use this step"]').click()`);
  /** Type a value into a number. */
  const type = (label: string, value: string) =>
    page.evaluate(`{ const field = document.querySelector('input[aria-label^="${label}"]');
      field.focus(); field.value = "${value}"; field.dispatchEvent(new Event("change")); }`);

  it("makes the library's picture, bit for bit, and goes on doing so as the recipe changes", async () => {
    for (
      const change of [() => turn("extractGradient"), () => turn("saturate"), () => type("stretchImage: bend", "90")]
    ) {
      await change();
      const { head, digest, recipe } = await exact();
      const wanted = libraryPicture(recipe);
      expect(head).toBe(wanted.history.head);
      expect(digest).toBe(imageDigest(wanted));
    }
  });

  it("follows the hand with what the library draws, within one step of 8 bits", async () => {
    await turn("saturate");
    await exact();
    // the live canvas at one pixel of the view a pixel of the picture, before the exact picture is there
    const live = await page.evaluate(`(async () => {
      document.getElementById("whole").click();
      const field = document.querySelector('input[aria-label^="stretchImage: white"]');
      field.focus();
      const ruler = document.querySelector(".ruler input");
      ruler.value = 600;
      ruler.dispatchEvent(new Event("input"));
      await new Promise((drawn) => requestAnimationFrame(() => requestAnimationFrame(drawn)));
      const { width, height } = document.getElementById("live");
      const copy = new OffscreenCanvas(width, height).getContext("2d");
      copy.drawImage(document.getElementById("live"), 0, 0);
      const { data } = copy.getImageData(0, 0, width, height);
      const first = data.findIndex((code, at) => at % 4 === 3 && code > 0) >> 2;
      const [left, top] = [first % width, Math.floor(first / width)];
      return JSON.stringify([document.getElementById("state").textContent,
        [...copy.getImageData(left, top, 200, 150).data]]);
    })()`);
    const [state, found] = JSON.parse(String(live)) as [string, number[]];
    expect(state).toBe("quick");
    const wanted = drawnPixels(libraryPicture((await exact()).recipe));
    const off = wanted.map((code, i) => Math.abs(code - found[i]));
    expect(off.reduce((a, b) => Math.max(a, b))).toBeLessThanOrEqual(1);
    expect(off.filter((each) => each > 0).length).toBeLessThan(1e-3 * off.length);
  });

  it("goes back and forward, keeps a variant and lays it against the present picture", async () => {
    const before = (await exact()).head;
    await page.evaluate(`new Promise((rested) => setTimeout(rested, 450))`);
    await page.evaluate(`document.getElementById("keep").click()`);
    await type("stretchImage: bend", "1500");
    const after = (await exact()).head;
    expect(after).not.toBe(before);
    const drawn = () =>
      page.evaluate(
        `new Promise((drawn) => setTimeout(() => drawn(document.getElementById("still").toDataURL()), 100))`,
      );
    const compare = (way: string) =>
      page.evaluate(`{ const list = document.getElementById("comparison"); list.value = "${way}";
        list.dispatchEvent(new Event("input")); }`);
    const pictures = [await drawn()];
    for (const way of ["wipe", "beside", "difference"]) {
      await compare(way);
      pictures.push(await drawn());
    }
    expect(new Set(pictures).size).toBe(4);
    await compare("none");
    await page.evaluate(`new Promise((rested) => setTimeout(rested, 450))`);
    await page.evaluate(`document.getElementById("undo").click()`);
    expect((await exact()).head).toBe(before);
    await page.evaluate(`document.getElementById("redo").click()`);
    expect((await exact()).head).toBe(after);
  });

  it("asks for nothing outside and throws nothing", () => expect(page.errors).toEqual([]));
});
