/**
 * The workshop's book as a pupil opens it: from the disk, in a browser, with nothing else running. Covers app/site.ts,
 * book/make_book.ts, book/render_page.ts and book/render_lesson.ts.
 */
import { afterAll, beforeAll, describe, expect, it } from "vitest";
import { existsSync, mkdtempSync, readdirSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath, pathToFileURL } from "node:url";
import { writeSite } from "../../lib/app/site.ts";
import { ChromiumPage, findChromium } from "../support/chromium.ts";

const folder = mkdtempSync(join(tmpdir(), "faintlight-site-"));
const notebooks = fileURLToPath(new URL("../../notebooks/", import.meta.url));
const { bytes } = writeSite(folder);
const pages = readdirSync(folder).filter((name) => name.endsWith(".html")).sort();
const read = (name: string) => readFileSync(join(folder, name), "utf8");
const lessons = pages.filter((name) => /^\d\d-/.test(name));
const chromium = findChromium();

afterAll(() => rmSync(folder, { recursive: true }));

describe("the book", () => {
  it("has a page for each notebook, in less than 40 MB", () => {
    const names = readdirSync(notebooks).filter((name) => name.endsWith(".ipynb")).sort();
    expect(lessons).toEqual(names.map((name) => name.replace(/ipynb$/, "html")));
    expect(bytes).toBeLessThan(40e6);
  });

  it("leads from each lesson to the next and back", () => {
    const chain = (relation: string) =>
      lessons.map((name) => new RegExp(`rel="${relation}" href="([^"]+)"`).exec(read(name))?.[1]);
    expect(chain("next")).toEqual([...lessons.slice(1), undefined]);
    expect(chain("prev")).toEqual([undefined, ...lessons.slice(0, -1)]);
  });

  it("links and shows only what is in it", () => {
    const missing = pages.flatMap((name) =>
      // what runs inside a frame has no address of its own
      [...read(name).replaceAll(/ srcdoc="[^"]*"/g, "").matchAll(/ (?:href|src)="([^"#]+)(?:#([^"]*))?"/g)]
        .filter(([, address, place]) =>
          !address.startsWith("data:") && !existsSync(join(folder, address)) ||
          place !== undefined && !read(address).includes(`id="${place}"`)
        )
        .map(([link]) => `${name}:${link}`)
    );
    expect(missing).toEqual([]);
  });

  it("gives every picture words", () => {
    const bare = lessons.flatMap((name) => read(name).match(/<img [^>]*alt=""/g) ?? []);
    expect(bare).toEqual([]);
  });
});

describe.skipIf(chromium === null)("in a browser", () => {
  let page: ChromiumPage;
  const open = (name: string) => page.open(pathToFileURL(join(folder, name)).href);
  beforeAll(async () => {
    page = await ChromiumPage.start(chromium ?? "");
  });
  afterAll(() => page.close());

  it.each(pages)("%s opens without an error and asks for nothing outside", async (name) => {
    page.errors.length = 0;
    await open(name);
    expect(await page.evaluate("document.querySelector('h1')?.textContent")).toBeTruthy();
    // pictures out of sight are loaded as well; one that cannot be drawn throws
    await page.evaluate("Promise.all([...document.images].map((image) => (image.loading = 'eager', image.decode())))");
    expect(page.errors).toEqual([]);
  });

  it("would not pass over an error or an address outside", async () => {
    const body = '<h1>Bad</h1><script>throw new Error("lost")</script><img src="http://127.0.0.1:9/x.png">';
    writeFileSync(join(folder, "bad.html"), body);
    page.errors.length = 0;
    await open("bad.html");
    expect(page.errors.join()).toContain("lost");
    expect(page.errors.join()).toContain("asked for http://127.0.0.1:9/x.png");
  });

  it("draws another picture when a slider is moved", async () => {
    await open("00-five-minute-tour.html");
    const holdsSliders = "document.getElementById('bend') !== null";
    const asked = await Promise.all(page.contexts.map(async ({ id }) => ({
      id,
      found: await page.evaluate(holdsSliders, id),
    })));
    const [view] = asked.filter(({ found }) => found);
    const drawn = (share: number) =>
      page.evaluate(
        `{ const bend = document.getElementById("bend");
           bend.value = +bend.min + ${share} * (bend.max - bend.min);
           bend.dispatchEvent(new Event("input"));
           document.getElementById("view").toDataURL(); }`,
        view.id,
      );
    const [gentle, again, strong] = [await drawn(0.2), await drawn(0.2), await drawn(0.8)];
    expect(String(gentle).length).toBeGreaterThan(10_000);
    expect(again).toBe(gentle);
    expect(strong).not.toBe(gentle);
  });
});
