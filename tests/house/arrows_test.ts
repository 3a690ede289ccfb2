/** The rooms of lib/ and who may import whom: data flow one way, and this test holds the arrows to it. */
import { describe, expect, it } from "vitest";
import { readdirSync, readFileSync, statSync } from "node:fs";
import { dirname, join, relative } from "node:path";
import { fileURLToPath } from "node:url";

const lib = fileURLToPath(new URL("../../lib/", import.meta.url));

const base = ["core", "stats", "parallel", "kernels"];
const filtering = [...base, "filters"];
const seen = [...filtering, "surfaces", "stars", "measure"];
/** Rooms of the stages from a frame to a page, which the pipeline puts in order. */
const stages = [
  ...seen,
  "arithmetic",
  "io",
  "calibrate",
  "register",
  "normalise",
  "stack",
  "background",
  "detail",
  "tone",
  "colour",
  "effect",
  "night",
  "view",
];
/** Rooms that hold functions a person may ask about. */
const explained = [...stages, "simulate", "pipeline"];
/** For each room, the rooms it may import. A room not listed here is not allowed to exist. */
const allowed: Readonly<Record<string, readonly string[]>> = {
  core: [],
  sky: ["core", "kernels"],
  stats: ["core"],
  parallel: ["core"],
  kernels: ["core", "stats", "parallel"],
  io: ["core", "parallel", "kernels"],
  arithmetic: ["core"],
  filters: base,
  surfaces: filtering,
  stars: [...filtering, "surfaces"],
  measure: [...filtering, "surfaces", "stars"],
  calibrate: [...seen, "io"],
  register: seen,
  normalise: [...seen, "register"],
  stack: [...seen, "io", "calibrate", "register", "normalise"],
  background: seen,
  detail: seen,
  tone: seen,
  colour: [...seen, "sky"],
  effect: [...seen, "background", "detail", "tone", "colour"],
  night: [...seen, "register", "effect"],
  simulate: [...base, "sky", "io"],
  view: [...seen, "io", "effect", "night", "tone"],
  pipeline: stages,
  workbench: [...stages, "pipeline", "host"],
  help: [...explained, "workbench"],
  book: ["view"],
  plan: ["sky"],
  host: ["core", "parallel"],
  app: ["core", "host", "parallel", "kernels", "io", "simulate", "pipeline", "view", "night", "book"],
};

const walk = (folder: string): string[] =>
  readdirSync(folder).flatMap((name) => {
    const path = join(folder, name);
    return statSync(path).isDirectory() ? walk(path) : [path];
  });
const files = walk(lib).filter((path) => path.endsWith(".ts") && !path.includes("/kernels/src/"));
const roomOf = (path: string): string => {
  const parts = relative(lib, path).split("/");
  return parts.length === 1 || parts[0] === "doors" ? "" : parts[0];
};

describe("rooms", () => {
  it("are all known", () => {
    const rooms = [...new Set(files.map(roomOf))].filter((room) => room !== "");
    expect(rooms.filter((room) => !(room in allowed))).toEqual([]);
  });

  it("import only what lies before them", () => {
    const wrong: string[] = [];
    for (const path of files) {
      const room = roomOf(path);
      if (room === "") continue;
      for (const [, target] of readFileSync(path, "utf8").matchAll(/^(?:import|export)[^;]*?from "(\.[^"]+)";/gms)) {
        const goal = roomOf(join(dirname(path), target));
        if (goal === room) continue;
        if (!allowed[room].includes(goal)) wrong.push(`${relative(lib, path)} imports ${goal === "" ? target : goal}`);
      }
    }
    expect(wrong, wrong.join("\n")).toEqual([]);
  });

  it("name no helper drawers", () => {
    expect(files.map(roomOf).filter((room) => /^(utils?|helpers?|common|misc)$/.test(room))).toEqual([]);
  });

  it("use node: and Deno only in host, io and app: all else runs in a page as well", () => {
    const users = files.filter((path) => {
      const code = readFileSync(path, "utf8").replaceAll(/\/\*[\s\S]*?\*\/|^\s*\/\/.*/gm, "");
      return /from "node:|import\("node:|import "node:|\bDeno\.|\bprocess\./.test(code);
    });
    expect(users.map((path) => relative(lib, path)).filter((path) => !/^(host|io|app)\//.test(path))).toEqual([]);
  });

  it("learn where they run from every door, and from nowhere else", () => {
    const { exports }: { exports: Record<string, string> } = JSON.parse(
      readFileSync(join(lib, "../deno.json"), "utf8"),
    );
    const installs = (path: string) => /^import "(\.\.?\/)+(host\/)?deno\.ts";$/m.test(readFileSync(path, "utf8"));
    const doors = Object.values(exports).map((path) => join(lib, "..", path));
    expect(doors.filter((path) => !installs(path))).toEqual([]);
    const others = files.filter((path) => installs(path) && !doors.includes(path)).map((path) => relative(lib, path));
    expect(others.filter((path) => !/^(host|app)\//.test(path))).toEqual([]);
  });
});
