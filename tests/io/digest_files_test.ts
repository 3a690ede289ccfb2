import { afterAll, describe, expect, it } from "vitest";
import { mkdtempSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { digestFile, digestFiles, existsFile, freeBytes, readBytes, readText } from "../../lib/io/digest_files.ts";

const folder = mkdtempSync(join(tmpdir(), "digests-"));
afterAll(() => rmSync(folder, { recursive: true }));
const empty = join(folder, "empty");
const abc = join(folder, "abc");
writeFileSync(empty, "");
writeFileSync(abc, "abc");

describe("files", () => {
  it("have the digests of FIPS 180-4 for nothing and for abc, in their order", () => {
    const digests = [
      "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
      "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
    ];
    expect([digestFile(empty), digestFile(abc)]).toEqual(digests);
    expect(digestFiles([abc, empty])).toEqual(digests.toReversed());
  });

  it("are there or not, and are read whole", () => {
    expect([existsFile(abc), existsFile(join(folder, "none"))]).toEqual([true, false]);
    expect(readText(abc)).toBe("abc");
    expect([...readBytes(abc)]).toEqual([97, 98, 99]);
  });

  it("may be as large as the disk of a folder to come", () => {
    expect(freeBytes(join(folder, "not", "yet"))).toBeGreaterThan(0);
  });
});
