/** A frame may be an image, a path, or a value that knows its path: every reader sees the same pixels. */
import { afterAll, describe, expect, it } from "vitest";
import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { combineDark, constantImage, listFrames, stackFrames, writeFits } from "faintlight";
import { referenceCanvas } from "faintlight/geometry";
import { openPixels } from "faintlight/io";

const folder = mkdtempSync(join(tmpdir(), "faintlight-source-"));
afterAll(() => rmSync(folder, { recursive: true }));

describe("a frame", () => {
  for (const name of ["a", "b", "c"]) writeFits(join(folder, "darks", `${name}.fits`), constantImage(8, 6, 7));
  const { records } = listFrames(folder);
  const region = { x: 2, y: 1, width: 2, height: 1 };

  it("knows its path when it was listed", () => {
    expect(records.map(({ path }) => path)).toEqual(records.map(({ file }) => join(folder, file)));
  });

  it("is read alike from its record, its path and its pixels", () => {
    for (const source of [records[0], records[0].path, constantImage(8, 6, 7)]) {
      const open = openPixels(source);
      expect([...open.readRegion(region, 0)]).toEqual([7, 7]);
      open.close();
    }
  });

  it("goes into masters and stacks as a record, and the master names the file alone", () => {
    const master = combineDark(records);
    expect(master.planes[0].data[0]).toBe(7);
    expect(master.header.find(({ keyword }) => keyword === "FRM00001")?.value).toBe("a.fits");
    const canvas = referenceCanvas(master);
    expect(stackFrames(records.map((source) => ({ source })), canvas).image.planes[0].data[0]).toBe(7);
  });
});
