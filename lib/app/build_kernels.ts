/**
 * Builds kernels.wasm from src/: AssemblyScript first, then every call of a function of src/planes.as.ts becomes the
 * instruction it stands for, on a memory of its own. The result carries the digest of the sources.
 */
import { createHash } from "node:crypto";
import { readdirSync, readFileSync, writeFileSync } from "node:fs";
import process from "node:process";
import { fileURLToPath } from "node:url";
import asc from "assemblyscript/asc";
import binaryen from "assemblyscript/binaryen";

const folder = new URL("../kernels/src/", import.meta.url);
const target = new URL("../kernels/kernels.wasm", import.meta.url);
const planes = ["a", "b", "c", "o", "p"];

/** Sources by name. */
function sources(): Map<string, string> {
  const names = readdirSync(folder).filter((name) => name.endsWith(".as.ts")).sort();
  return new Map(names.map((name) => [name, readFileSync(new URL(name, folder), "utf8")]));
}

/** SHA-256 of names and texts, the stamp of a build. */
export function sourceDigest(): string {
  const hash = createHash("sha256");
  for (const [name, text] of sources()) hash.update(`${name}\n${text}\n`);
  return hash.digest("hex");
}

/** Compile the sources. */
export async function buildKernels(): Promise<Uint8Array> {
  const files = sources();
  let text = "";
  const flags = "--outFile k.wasm --textFile k.wat -O3 --noAssert --runtime stub --importMemory --sharedMemory " +
    "--initialMemory 1 --maximumMemory 65536 --enable simd --enable threads";
  const { error, stderr } = await asc.main(["index.as.ts", ...flags.split(" ")], {
    readFile: (name: string) => files.get(name) ?? null,
    writeFile: (name: string, content: string | Uint8Array) => {
      if (name === "k.wat") text = String(content);
    },
    listFiles: () => [],
  });
  if (error !== null) throw new Error(`buildKernels: sources must compile, but ${stderr.toString()}`);
  const instructions = new Map<string, string>();
  text = text.replace(
    /^ \(import "plane" "(\S+) (\w)( offset=\d+)?" \(func (\S+) .*\n/gm,
    (_, name, plane, offset = "", id) => {
      instructions.set(id, `${name} $${plane}${offset}`);
      return "";
    },
  );
  text = text.replace(/\bcall (\S+?)(?=[\s)])/g, (whole, id) => instructions.get(id) ?? whole);
  text = text.replace(
    /^ \(import "env" "memory".*\n/m,
    (line) => line + planes.map((each) => ` (import "env" "${each}" (memory $${each} 1 65536 shared))\n`).join(""),
  );
  const module = binaryen.parseText(text);
  const { SIMD128, Atomics, BulkMemory, MutableGlobals, NontrappingFPToInt, SignExt, MultiMemory } = binaryen.Features;
  module.setFeatures(SIMD128 | Atomics | BulkMemory | MutableGlobals | NontrappingFPToInt | SignExt | MultiMemory);
  if (module.validate() !== 1) throw new Error("buildKernels: the module must be valid, but is not");
  binaryen.setOptimizeLevel(3);
  binaryen.setShrinkLevel(0);
  module.optimize();
  module.addCustomSection("sources", new TextEncoder().encode(sourceDigest()));
  const bytes = module.emitBinary();
  module.dispose();
  return bytes;
}

if (import.meta.url.startsWith("file:") && process.argv[1] === fileURLToPath(import.meta.url)) {
  const bytes = await buildKernels();
  writeFileSync(target, bytes);
  console.log(`kernels.wasm: ${bytes.length} bytes, sources ${sourceDigest().slice(0, 16)}`);
}
