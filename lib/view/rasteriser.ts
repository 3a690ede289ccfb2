/**
 * SVG → pixels by resvg, compiled to WebAssembly. The package's own loader is asynchronous and can be used only with
 * `await`; this small binding starts the same module in one synchronous step, on first use, so that showing a picture
 * needs no `await` anywhere.
 */
import { packageFile, readAsset, readPackageFile } from "../io/asset.ts";

const WASM = "@resvg/resvg-wasm/index_bg.wasm";

/** Files outside the project that drawing a sheet reads: a process with narrow rights needs read access to them. */
export const rasteriserFiles = (): readonly string[] => [packageFile(WASM)];

/** Faces that sheets may name in `font-family`; nothing else is looked up on the system. */
export const fontFamilies: Readonly<{ text: string; title: string }> = Object.freeze({
  text: "DejaVu Sans Condensed",
  title: "DejaVu Sans Light",
});

const fontFiles = ["DejaVuSansCondensed.ttf", "DejaVuSansCondensed-Bold.ttf", "DejaVuSans-ExtraLight.ttf"] as const;
let fonts: readonly Uint8Array[] | null = null;

/** The font files' bytes: text, bold, title. */
export function fontBytes(): readonly Uint8Array[] {
  fonts ??= fontFiles.map((name) => readAsset(new URL(`./fonts/${name}`, import.meta.url)));
  return fonts;
}

/** Functions of the module that this binding calls (names as the package's 2.6.2 build has them). */
interface Exports {
  readonly memory: WebAssembly.Memory;
  __wbindgen_malloc(size: number, align: number): number;
  __wbindgen_realloc(at: number, old: number, size: number, align: number): number;
  __wbindgen_free(at: number, size: number, align: number): void;
  __wbindgen_add_to_stack_pointer(by: number): number;
  __wbindgen_exn_store(value: number): void;
  resvg_new(result: number, svg: number, options: number, optionsLength: number, fonts: number): void;
  resvg_render(result: number, resvg: number): void;
  renderedimage_width(image: number): number;
  renderedimage_height(image: number): number;
  renderedimage_pixels(image: number): number;
  __wbg_resvg_free(resvg: number): void;
  __wbg_renderedimage_free(image: number): void;
}

/** The module with a table of the JavaScript values it holds by number, as wasm-bindgen lays them out. */
class Rasteriser {
  readonly #wasm: Exports;
  readonly #values = new Map<number, unknown>();
  #next = 132;

  constructor() {
    const keep = (value: unknown): number => {
      this.#values.set(this.#next, value);
      return this.#next++;
    };
    const get = (index: number): unknown => this.#values.get(index);
    const bytes = (at: number, length: number) => new Uint8Array(this.#wasm.memory.buffer, at >>> 0, length >>> 0);
    const text = (at: number, length: number) => new TextDecoder().decode(bytes(at, length).slice());
    const result = (at: number, a: number, b: number) => {
      new DataView(this.#wasm.memory.buffer).setInt32(at, a, true);
      new DataView(this.#wasm.memory.buffer).setInt32(at + 4, b, true);
    };
    const known: Readonly<Record<string, (...args: number[]) => number | void>> = {
      __wbg_new_error: (at, length) => keep(new Error(text(at, length))),
      __wbindgen_memory: () => keep(this.#wasm.memory),
      __wbg_buffer: (index) => keep((get(index) as WebAssembly.Memory).buffer),
      __wbg_newwithbyteoffsetandlength: (index, at, length) =>
        keep(new Uint8Array(get(index) as ArrayBuffer, at >>> 0, length >>> 0)),
      __wbindgen_object_drop_ref: (index) => void this.#values.delete(index),
      __wbg_new_bytes: (index) => keep(new Uint8Array(get(index) as ArrayBuffer)),
      __wbg_values: (index) => keep((get(index) as unknown[]).values()),
      __wbg_next: (index) => keep((get(index) as Iterator<unknown>).next()),
      __wbg_done: (index) => (get(index) as IteratorResult<unknown>).done ? 1 : 0,
      __wbg_value: (index) => keep((get(index) as IteratorResult<unknown>).value),
      __wbg_instanceof_Uint8Array: (index) => get(index) instanceof Uint8Array ? 1 : 0,
      __wbindgen_string_get: (at, index) => {
        const value = get(index);
        if (typeof value !== "string") return result(at, 0, 0);
        const [start, length] = this.#writeText(value);
        result(at, start, length);
      },
      __wbg_new_array: () => keep([]),
      __wbindgen_string_new: (at, length) => keep(text(at, length)),
      __wbg_push: (list, value) => (get(list) as unknown[]).push(get(value)),
      __wbg_length: (index) => (get(index) as Uint8Array).length,
      __wbg_set: (target, source, at) => (get(target) as Uint8Array).set(get(source) as Uint8Array, at >>> 0),
      __wbindgen_throw: (at, length) => {
        throw new Error(text(at, length));
      },
    };
    // three imports are all called "new" and differ in their hash alone; hashes are those of the pinned build
    const renamed: Readonly<Record<string, string>> = {
      __wbg_new_28c511d9baebfa89: "__wbg_new_error",
      __wbg_new_63b92bc8671ed464: "__wbg_new_bytes",
      __wbg_new_16b304a2cfa7ff4a: "__wbg_new_array",
    };
    const module = new WebAssembly.Module(readPackageFile(WASM).slice().buffer);
    const wbg: Record<string, (...args: number[]) => number | void> = {};
    for (const { name } of WebAssembly.Module.imports(module)) {
      const found = known[renamed[name] ?? name.replace(/_[0-9a-f]{16}$/, "")];
      if (found === undefined) throw new Error(`rasteriser: the resvg build must be 2.6.2, but it imports ${name}`);
      wbg[name] = found;
    }
    this.#wasm = new WebAssembly.Instance(module, { wbg }).exports as unknown as Exports;
  }

  #writeText(text: string): readonly [number, number] {
    const encoded = new TextEncoder().encode(text);
    const at = this.#wasm.__wbindgen_malloc(encoded.length, 1) >>> 0;
    new Uint8Array(this.#wasm.memory.buffer, at, encoded.length).set(encoded);
    return [at, encoded.length];
  }

  #keep(value: unknown): number {
    this.#values.set(this.#next, value);
    return this.#next++;
  }

  #take(index: number): unknown {
    const value = this.#values.get(index);
    this.#values.delete(index);
    return value;
  }

  /** Call a function that answers [value, error, failed] behind a stack pointer. */
  #answer(call: (at: number) => void): number {
    const at = this.#wasm.__wbindgen_add_to_stack_pointer(-16);
    try {
      call(at);
      const view = new DataView(this.#wasm.memory.buffer, at, 12);
      if (view.getInt32(8, true) !== 0) throw this.#take(view.getInt32(4, true));
      return view.getInt32(0, true) >>> 0;
    } finally {
      this.#wasm.__wbindgen_add_to_stack_pointer(16);
    }
  }

  render(svg: string, options: object): { width: number; height: number; rgba: Uint8Array } {
    const [at, length] = this.#writeText(JSON.stringify(options)); // the module frees it
    const fontList = this.#keep([...fontBytes()]);
    const source = this.#keep(svg);
    const resvg = this.#answer((out) => this.#wasm.resvg_new(out, source, at, length, fontList));
    try {
      const image = this.#answer((out) => this.#wasm.resvg_render(out, resvg));
      const rgba = (this.#take(this.#wasm.renderedimage_pixels(image)) as Uint8Array).slice();
      const width = this.#wasm.renderedimage_width(image);
      const height = this.#wasm.renderedimage_height(image);
      this.#wasm.__wbg_renderedimage_free(image);
      return { width, height, rgba };
    } finally {
      this.#wasm.__wbg_resvg_free(resvg);
    }
  }
}

let rasteriser: Rasteriser | null = null;

/**
 * Pixels of an SVG text, red, green, blue; what it leaves open is `background`. Text is set in the library's own faces.
 *
 * @param svg the drawing, with width and height
 * @param zoom pixels a unit of the drawing
 * @param background CSS colour
 */
export function rasterise(
  svg: string,
  zoom: number,
  background: string,
): { width: number; height: number; samples: Uint8Array } {
  rasteriser ??= new Rasteriser();
  const { width, height, rgba } = rasteriser.render(svg, {
    background,
    fitTo: { mode: "zoom", value: zoom },
    font: { loadSystemFonts: false, defaultFontFamily: fontFamilies.text, sansSerifFamily: fontFamilies.text },
  });
  const samples = new Uint8Array(width * height * 3);
  for (let i = 0, from = 0, at = 0; i < width * height; i++, from += 4, at += 3) {
    samples[at] = rgba[from];
    samples[at + 1] = rgba[from + 1];
    samples[at + 2] = rgba[from + 2];
  }
  return { width, height, samples };
}
