/** The doors of the library as `deno.json` names them, and what each lets out. */
import { readFileSync } from "node:fs";
import { fileURLToPath } from "node:url";

const root = fileURLToPath(new URL("../../", import.meta.url));

/** Paths of the doors by their names: `faintlight`, `faintlight/stats`, … */
export function doorPaths(): ReadonlyMap<string, string> {
  const { exports } = JSON.parse(readFileSync(`${root}deno.json`, "utf8")) as {
    readonly exports: Readonly<Record<string, string>>;
  };
  const paths = Object.entries(exports).map(([name, path]) => [`faintlight${name.slice(1)}`, path] as const);
  return new Map(paths.sort(([a], [b]) => a < b ? -1 : 1));
}

/** Names of the values behind each door, sorted. */
export async function doorValues(): Promise<ReadonlyMap<string, Readonly<Record<string, unknown>>>> {
  const doors = new Map<string, Readonly<Record<string, unknown>>>();
  for (const [name, path] of doorPaths()) doors.set(name, await import(`${root}${path}`));
  return doors;
}

/** The written list: a door and a name a line. */
export async function publicNames(): Promise<readonly string[]> {
  const doors = await doorValues();
  return [...doors].flatMap(([door, values]) => Object.keys(values).sort().map((name) => `${door} ${name}`));
}
