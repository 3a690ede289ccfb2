/**
 * Files as accidents and ill will make them: a whole file with one or two changes that know its structure (cards of a
 * header, chunks of a picture, values of a recipe, lines of decisions). The same seed gives the same bytes.
 */
import { mkdtempSync, readFileSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import path from "node:path";
import zlib from "node:zlib";
import { type RandomStream, randomStream } from "../../lib/core/random.ts";
import { createImage } from "../../lib/core/image.ts";
import { encodePng16 } from "../../lib/io/png.ts";
import { writeFits, type WriteFitsOptions } from "../../lib/io/write_fits.ts";
import { readFits } from "../../lib/io/read_fits.ts";
import { parseDecisions } from "../../lib/night/select_frames.ts";
import { defaultRecipe } from "../../lib/pipeline/default_recipe.ts";
import { readPicture } from "../../lib/pipeline/read_picture.ts";
import { readRecipe } from "../../lib/pipeline/read_recipe.ts";

/** What a mutant was a file of. */
export const mutantKinds = ["fits", "png", "recipe", "decisions"] as const;

/** One of {@linkcode mutantKinds}. */
export type MutantKind = (typeof mutantKinds)[number];

const below = (random: RandomStream, n: number): number => Math.floor(random.uniform() * n);
const pick = <T>(random: RandomStream, values: readonly T[]): T => values[below(random, values.length)];
const join = (parts: readonly Uint8Array[]): Uint8Array => new Uint8Array(Buffer.concat(parts));
const ascii = (text: string): Uint8Array => Uint8Array.from(text, (sign) => sign.charCodeAt(0));

/** Changes that any file may suffer: bits, a run of other bytes, an end that is missing, an end too many. */
function damage(random: RandomStream, bytes: Uint8Array): Uint8Array {
  const out = bytes.slice();
  const at = below(random, out.length);
  const how = below(random, 5);
  if (how === 0) return out.subarray(0, at);
  if (how === 1) return join([out, out.subarray(at)]);
  if (how === 2) out[at] ^= 1 << below(random, 8);
  else for (let i = at; i < Math.min(out.length, at + 80); i++) out[i] = how === 3 ? below(random, 256) : 0;
  return out;
}

/** A small frame of invented light, as bytes of a file. */
function wholeFits(planes: number, bitpix: WriteFitsOptions["bitpix"], compress: WriteFitsOptions["compress"]) {
  const [width, height] = [23, 17];
  const random = randomStream(`${planes} ${bitpix}`);
  const level = bitpix === 8 ? 0 : 900;
  const channels = ["R", "G", "B"].slice(0, planes).map((channel) => ({
    channel,
    data: Float32Array.from({ length: width * height }, (_, i) => level + i % width + below(random, 230)),
  }));
  const image = createImage({ width, height, unit: "adu", planes: channels }, { step: "mutants", options: {} });
  const folder = mkdtempSync(path.join(tmpdir(), "faintlight-mutants-"));
  const file = path.join(folder, "whole.fits");
  writeFits(file, image, { bitpix, compress, record: false, checksum: planes === 3 });
  const bytes = new Uint8Array(readFileSync(file));
  rmSync(folder, { recursive: true });
  return bytes;
}

const wholeFiles = new Map<string, Uint8Array>();

const card = 80;
const block = 2880;

/** Keywords that decide how bytes are read. */
const structural = [
  "SIMPLE",
  "BITPIX",
  "NAXIS",
  "NAXIS1",
  "NAXIS2",
  "NAXIS3",
  "BZERO",
  "BSCALE",
  "BLANK",
  "EXTEND",
  "PCOUNT",
  "GCOUNT",
  "XTENSION",
  "TFIELDS",
  "TFORM1",
  "TTYPE1",
  "ZIMAGE",
  "ZCMPTYPE",
  "ZBITPIX",
  "ZNAXIS",
  "ZNAXIS1",
  "ZNAXIS2",
  "ZTILE1",
  "ZTILE2",
  "ZNAME1",
  "ZVAL1",
  "ZSCALE",
  "ZZERO",
  "ZBLANK",
  "CHECKSUM",
  "DATASUM",
  "END",
];

const cardValues = [
  "0",
  "1",
  "2",
  "3",
  "8",
  "16",
  "-32",
  "64",
  "-64",
  "7",
  "-1",
  "999",
  "2147483647",
  "4294967296",
  "99999999999999999999",
  "1E300",
  "-1E-300",
  "0.5",
  "32768",
  "NaN",
  "T",
  "F",
  "",
  "'RICE_1  '",
  "'GZIP_1  '",
  "'PLIO_1  '",
  "'NOCOMPRESS'",
  "'12345678901234567890'",
  "'IMAGE   '",
  "'BINTABLE'",
  "'unclosed",
  "'1PB(9999999999)'",
  "'16'",
];

const cardText = (keyword: string, value: string): string =>
  (keyword === "END" ? "END" : `${keyword.padEnd(8)}= ${value.padStart(value.startsWith("'") ? 0 : 20)}`)
    .padEnd(card).slice(0, card);

/** Cards that stand for nothing, or for something else. */
const strayCards = [
  "CONTINUE  'a&'",
  "COMMENT = 'no comment'",
  "HIERARCH ESO DET CHIP NAME = 'x'",
  "bitpix  = 8",
  "BZERO   = 1.0D5",
  "FILTER  = '../../x'",
  "OBJECT  = '\x1b]0;x\x07'",
  "EXPTIME = 1E400",
  "DATE-OBS= '2031-13-45T99:99:99'",
  "\xff\xfe\x00\x01",
];

/** Change the header cards of a file. */
function changeCards(random: RandomStream, bytes: Uint8Array): Uint8Array {
  const out = bytes.slice();
  const places: number[] = [];
  for (let at = 0; at + card <= out.length; at += card) {
    if (/^[A-Z0-9_-]{1,8} *(=|$)/.test(String.fromCharCode(...out.subarray(at, at + 9)))) places.push(at);
  }
  const at = pick(random, places);
  const other = pick(random, places);
  const swapped = out.slice(other, other + card);
  const how = below(random, 6);
  const known = places.filter((each) =>
    structural.includes(String.fromCharCode(...out.subarray(each, each + 8)).trimEnd())
  );
  const target = known.length > 0 && how < 2 ? pick(random, known) : at;
  const keyword = String.fromCharCode(...out.subarray(target, target + 8)).trimEnd();
  if (how < 2) out.set(ascii(cardText(keyword, pick(random, cardValues))), target);
  else if (how === 2) out.set(ascii(cardText(pick(random, structural), pick(random, cardValues))), at);
  else if (how === 3) out.set(ascii(pick(random, strayCards).padEnd(card)), at);
  else if (how === 4) out.copyWithin(other, at, at + card);
  else {
    out.copyWithin(other, at, at + card);
    out.set(swapped, at);
  }
  return out;
}

/** Take blocks away, double them, or change their order. */
function changeBlocks(random: RandomStream, bytes: Uint8Array): Uint8Array {
  const blocks = Array.from(
    { length: Math.floor(bytes.length / block) },
    (_, i) => bytes.subarray(i * block, (i + 1) * block),
  );
  const at = below(random, blocks.length);
  return join(random.uniform() < 0.5 ? blocks.toSpliced(at, 1) : blocks.toSpliced(at, 0, pick(random, blocks)));
}

function fitsBase(random: RandomStream): Uint8Array {
  const planes = pick(random, [1, 1, 1, 3]);
  const bitpix = pick(random, [8, 16, 32, -32, -64] as const);
  const codec = pick(random, [null, null, "RICE_1", "GZIP_1", "GZIP_2"] as const);
  const compress = bitpix === 8 || (codec === "RICE_1" && bitpix < 0) ? null : codec;
  const key = `${planes} ${bitpix} ${compress}`;
  const bytes = wholeFiles.get(key) ?? wholeFits(planes, bitpix, compress);
  wholeFiles.set(key, bytes);
  return bytes;
}

interface Chunk {
  readonly type: string;
  readonly data: Uint8Array;
}

function chunksOf(bytes: Uint8Array): Chunk[] {
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
  const chunks: Chunk[] = [];
  for (let at = 8; at < bytes.length; at += 12 + view.getUint32(at)) {
    const type = String.fromCharCode(...bytes.subarray(at + 4, at + 8));
    chunks.push({ type, data: bytes.slice(at + 8, at + 8 + view.getUint32(at)) });
  }
  return chunks;
}

function pngOf(chunks: readonly Chunk[]): Uint8Array {
  const parts = chunks.flatMap(({ type, data }) => {
    const named = join([ascii(type), data]);
    const ends = new DataView(new ArrayBuffer(8));
    ends.setUint32(0, data.length);
    ends.setUint32(4, zlib.crc32(named));
    return [new Uint8Array(ends.buffer, 0, 4), named, new Uint8Array(ends.buffer, 4, 4)];
  });
  return join([Uint8Array.of(0x89, 0x50, 0x4e, 0x47, 13, 10, 26, 10), ...parts]);
}

/** Change the chunks of a picture; their sums agree with them again. */
function changeChunks(random: RandomStream, bytes: Uint8Array): Uint8Array {
  let chunks: Chunk[];
  try {
    chunks = chunksOf(bytes);
  } catch {
    return damage(random, bytes); // cut short by an earlier change
  }
  if (chunks.length === 0) return damage(random, bytes);
  const at = below(random, chunks.length);
  const { type, data } = chunks[at];
  const how = below(random, 7);
  if (how === 0) return pngOf(chunks.toSpliced(at, 1));
  if (how === 1) return pngOf(chunks.toSpliced(below(random, chunks.length), 0, chunks[at]));
  if (how === 2) return pngOf(chunks.with(at, { type: pick(random, ["IDAT", "PLTE", "tRNS", "abCd", "ABCD"]), data }));
  if (how === 3 && data.length > 0) return pngOf(chunks.with(at, { type, data: damage(random, data) }));
  if (how === 4) {
    const head = chunks.findIndex((each) => each.type === "IHDR");
    if (head < 0) return damage(random, bytes);
    const changed = chunks[head].data.slice();
    changed[below(random, changed.length)] = pick(random, [0, 1, 2, 3, 4, 6, 8, 16, 127, 255]);
    return pngOf(chunks.with(head, { type: "IHDR", data: changed }));
  }
  if (how === 5) {
    const text = join([ascii(pick(random, ["__proto__", "Title", ""])), Uint8Array.of(0, 0), data]);
    return pngOf(chunks.toSpliced(1, 0, { type: pick(random, ["tEXt", "zTXt", "iTXt"]), data: text }));
  }
  const pixels = chunks.findIndex((each) => each.type === "IDAT");
  try {
    const raw = new Uint8Array(zlib.inflateSync(chunks[pixels].data));
    raw[below(random, raw.length)] = below(random, 7);
    return pngOf(chunks.with(pixels, { type: "IDAT", data: new Uint8Array(zlib.deflateSync(raw)) }));
  } catch {
    return damage(random, bytes);
  }
}

function pngBase(random: RandomStream): Uint8Array {
  const [width, height] = [3 + below(random, 20), 3 + below(random, 12)];
  const channels = pick(random, [1, 3] as const);
  const size = width * height * channels;
  const samples = pick(random, [new Uint8Array(size), new Uint16Array(size)]).map(() => below(random, 65536));
  return encodePng16({ width, height, channels, samples });
}

const jsonValues = [
  null,
  true,
  -1,
  0,
  1e308,
  "",
  "NaN",
  "../x",
  "stack.L",
  "__proto__",
  [],
  {},
  [[[]]],
  "x".repeat(5000),
];

/** Put another value, name or nothing at a random place of a JSON value. */
function changeJson(random: RandomStream, value: unknown): unknown {
  if (typeof value !== "object" || value === null || random.uniform() < 0.15) return pick(random, jsonValues);
  const entries = Object.entries(value);
  if (entries.length === 0) return pick(random, jsonValues);
  const at = below(random, entries.length);
  const [name, inner] = entries[at];
  const how = below(random, 6);
  const changed = how === 0
    ? entries.toSpliced(at, 1)
    : how === 1
    ? entries.with(at, [pick(random, ["__proto__", "constructor", `${name}s`, "run"]), inner])
    : entries.with(at, [name, changeJson(random, inner)]);
  return Array.isArray(value) ? changed.map(([, each]) => each) : Object.fromEntries(changed);
}

const filterSets = [["Ha", "OIII"], ["R", "G", "B"], ["L"], ["SII", "Ha", "OIII"], ["colour"]];

const lines = ["keep a.fits", "reject lights/b 2.fits # why", "down-weight c.fits", "dark d.fits", "# mine", ""];
const strayLines = [
  "keep",
  "reject /etc/x",
  "keep ../a",
  "hold a.fits",
  "reject a\x1b[2J.fits",
  "keep __proto__",
  "\0",
];

/**
 * A changed file.
 *
 * @param seed the same seed gives the same bytes
 */
export function mutant(kind: MutantKind, seed: number): Uint8Array {
  const random = randomStream(`${kind} ${seed}`);
  const times = 1 + below(random, 2);
  if (kind === "decisions") {
    let text = Array.from({ length: 6 }, () => pick(random, lines));
    for (let i = 0; i < times; i++) text = text.with(below(random, 6), pick(random, [...lines, ...strayLines]));
    const bytes = new TextEncoder().encode(text.join(pick(random, ["\n", "\r\n"])));
    return random.uniform() < 0.2 ? damage(random, bytes) : bytes;
  }
  if (kind === "recipe") {
    let value: unknown = defaultRecipe(pick(random, filterSets), { x: 0, y: 0, width: 60, height: 40 });
    for (let i = 0; i < times; i++) value = changeJson(random, value);
    const bytes = new TextEncoder().encode(JSON.stringify(value));
    return random.uniform() < 0.2 ? damage(random, bytes) : bytes;
  }
  const isFits = kind === "fits";
  let bytes = isFits ? fitsBase(random) : pngBase(random);
  for (let i = 0; i < times && bytes.length > 200; i++) {
    const how = random.uniform();
    if (how < 0.15) bytes = damage(random, bytes);
    else if (!isFits) bytes = changeChunks(random, bytes);
    else bytes = how < 0.25 && bytes.length >= block ? changeBlocks(random, bytes) : changeCards(random, bytes);
  }
  return bytes;
}

/** Name of a mutant's file. */
export const mutantName = (kind: MutantKind, seed: number): string =>
  `${kind}-${String(seed).padStart(5, "0")}.${{ fits: "fits", png: "png", recipe: "json", decisions: "txt" }[kind]}`;

/** What came of reading a mutant. */
export interface MutantOutcome {
  /** Why it was refused; null when it was read. */
  readonly refusal: Error | null;
  /** Columns, rows and planes of what was read; empty for text. */
  readonly shape: readonly number[];
  /** Samples of what was read. */
  readonly planes: readonly ArrayLike<number>[];
}

/** Read a mutant as a night, a rerun or a person's notebook does. */
export function readMutant(kind: MutantKind, file: string): MutantOutcome {
  try {
    if (kind === "fits" || kind === "png") {
      const { width, height, planes } = kind === "fits" ? readFits(file) : readPicture(file).image;
      return { refusal: null, shape: [width, height, planes.length], planes: planes.map(({ data }) => data) };
    }
    if (kind === "recipe") readRecipe(file);
    else parseDecisions(readFileSync(file, "utf8"), file);
    return { refusal: null, shape: [], planes: [] };
  } catch (error) {
    return { refusal: error as Error, shape: [], planes: [] };
  }
}
