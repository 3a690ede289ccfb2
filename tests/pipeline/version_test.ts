import { readFileSync } from "node:fs";
import { expect, it } from "vitest";
import { libraryVersion } from "../../lib/pipeline/version.ts";

it("records name the version that the package has", () => {
  const { version } = JSON.parse(readFileSync(new URL("../../deno.json", import.meta.url), "utf8"));
  expect(libraryVersion).toBe(version);
});
