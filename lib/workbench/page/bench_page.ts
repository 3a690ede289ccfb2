/** The workbench's page: brings picture, strip, sentences, variants and history together. */
import type { StretchSettings } from "../../tone/stretch.ts";
import { stripCounts, stripLevel, stripPlace } from "../draw.ts";
import { HistoryTree } from "../history_tree.ts";
import type { Answer, PackedPicture } from "../messages.ts";
import { callsOf, initialState, type Sentence, type WorkbenchState } from "../sentence.ts";
import { cellText, recipeFrom } from "../ways_out.ts";
import type { WorkbenchContent } from "../workbench_content.ts";
import { button, byId, element, shortNumber } from "./elements.ts";
import type { GlassLook } from "./glass.ts";
import { PictureView } from "./picture_view.ts";
import { SentenceForm } from "./sentence_form.ts";
import { inflated, Librarian, unpacked, type Wish } from "./source.ts";
import { type Against, stillOf, type StillPicture } from "./still.ts";
import { drawStrip } from "./strip.ts";
import { VariantList } from "./variants.ts";

/** The hand rests after this long, milliseconds. */
const restMilliseconds = 150;
/** A change stands in the history after this long, milliseconds. */
const pauseMilliseconds = 400;
/** Pictures kept for going back and comparing. */
const maximumPictures = 6;

class Workbench {
  readonly #content: WorkbenchContent;
  readonly #librarian: Librarian;
  readonly #view: PictureView;
  readonly #form: SentenceForm;
  readonly #variants: VariantList;
  readonly #tree: HistoryTree<WorkbenchState>;
  readonly #stretchAt: number;
  readonly #pictures = new Map<string, StillPicture>();
  #state: WorkbenchState;
  #shown: PackedPicture;
  #planes: readonly Float32Array<ArrayBuffer>[] = [];
  #counts: readonly Uint32Array[] = [];
  #exact: StillPicture | null = null;
  #other: StillPicture | null = null;
  #blinked = false;
  #pointed: number | null = null;
  #resting: ReturnType<typeof setTimeout> | undefined;
  #pausing: ReturnType<typeof setTimeout> | undefined;

  constructor(content: WorkbenchContent, librarian: Librarian) {
    this.#content = content;
    this.#librarian = librarian;
    this.#state = initialState(content.sentences);
    this.#tree = new HistoryTree(this.#state, "as it was found");
    this.#stretchAt = content.sentences.findIndex(({ stage }) => stage === "stretch");
    this.#shown = content.pictures[0];
    this.#view = new PictureView({ pointed: (pixel) => this.#read(pixel) });
    this.#form = new SentenceForm(content.sentences, this.#state, content.axis, {
      changed: (state, label) => this.#change(state, label),
    });
    this.#variants = new VariantList({
      chosen: ({ state, name }) => this.#change(state, name),
      compared: () => void this.#compare(),
    });
    this.#hear();
    new ResizeObserver(() => this.#drawStrip()).observe(byId("strip"));
  }

  /** Show one of the pictures that the page brought along. */
  async open(picture: PackedPicture): Promise<void> {
    this.#shown = picture;
    this.#planes = await unpacked(picture);
    this.#pictures.clear();
    this.#exact = null;
    this.#other = null;
    this.#librarian.open(picture, this.#planes);
    this.#view.open(picture);
    this.#counts = stripCounts(this.#planes, this.#content.axis);
    byId("source").textContent = picture.title;
    byId("pictures").querySelectorAll("button").forEach((each, at) =>
      each.setAttribute("aria-pressed", String(this.#content.pictures[at] === picture))
    );
    this.#showState();
    this.#askExact();
  }

  /** The exact picture that is shown now, for tests; null while the hand moves. */
  get exact(): StillPicture | null {
    return this.#exact;
  }

  /** The recipe as text. */
  get recipe(): string {
    return JSON.stringify(recipeFrom(this.#content.sentences, this.#state, this.#content.stack), null, 2);
  }

  /** Set a state, as a hand does. */
  #change(state: WorkbenchState, label: string): void {
    this.#state = state;
    clearTimeout(this.#pausing);
    this.#pausing = setTimeout(() => {
      if (this.#tree.state !== this.#state) this.#tree.add(this.#state, label);
      this.#drawTree();
    }, pauseMilliseconds);
    this.#follow();
  }

  /** Go to a state of the history. */
  #goTo(move: () => void): void {
    clearTimeout(this.#pausing);
    move();
    this.#state = this.#tree.state;
    this.#showState();
    this.#follow();
  }

  #showState(): void {
    this.#form.show(this.#state, this.#shown.realPixels);
    this.#drawTree();
    this.#drawStrip();
    this.#showWaysOut();
  }

  #follow(): void {
    const kept = this.#pictures.get(this.#nameOf(this.#wish(this.#state)));
    this.#exact = null;
    this.#view.follow(this.#look());
    byId("state").textContent = this.#view.isLive ? "quick" : "working";
    this.#drawStrip();
    this.#showWaysOut();
    clearTimeout(this.#resting);
    if (kept !== undefined) return this.#rest(kept);
    this.#resting = setTimeout(() => this.#askExact(), this.#view.isLive ? restMilliseconds : 0);
  }

  /** What the glass draws: the stretch, and a curve when it is the next step. */
  #look(): GlassLook {
    const at = this.#content.sentences.findIndex(({ step }) => step === "applyCurve");
    const { on, options } = this.#state[at];
    return {
      stretch: this.#stretch(),
      curve: on ? { parameters: options.curve, on: options.on } as GlassLook["curve"] : null,
    };
  }

  #stretch(): StretchSettings {
    return this.#state[this.#stretchAt].options as unknown as StretchSettings;
  }

  #wish(state: WorkbenchState): Wish {
    const tellsTruth = ({ needsRealPixels }: Sentence) => this.#shown.realPixels || !needsRealPixels;
    const { sentences, axis } = this.#content;
    return {
      linear: callsOf(sentences, state, (each) => each.stage === "linear" && tellsTruth(each)),
      finished: callsOf(sentences, state, (each) => each.stage !== "linear" && tellsTruth(each)),
      axis,
    };
  }

  #nameOf({ linear, finished }: Wish): string {
    return JSON.stringify([linear, finished]);
  }

  #askExact(): void {
    const wish = this.#wish(this.#state);
    const slow = setTimeout(() => byId("state").textContent = "computing the exact picture …", 300);
    this.#librarian.askLatest(wish, (answer) => {
      clearTimeout(slow);
      this.#take(answer, this.#nameOf(wish));
    });
  }

  #take(answer: Answer, name: string): void {
    if (answer.kind === "failed") {
      byId("state").textContent = answer.message;
      return;
    }
    if (answer.levels !== null) this.#view.take(answer.levels);
    if (answer.counts !== null) this.#counts = answer.counts;
    const picture = stillOf(answer);
    this.#keepPicture(name, picture);
    if (name === this.#nameOf(this.#wish(this.#state))) this.#rest(picture);
    else this.#view.redraw();
  }

  #keepPicture(name: string, picture: StillPicture): void {
    this.#pictures.set(name, picture);
    if (this.#pictures.size > maximumPictures) this.#pictures.delete([...this.#pictures.keys()][0]);
  }

  #rest(picture: StillPicture): void {
    this.#exact = picture;
    const { clipped: [black, white], seconds } = picture.made;
    byId("state").textContent = `exact, computed in ${seconds.toFixed(2)} s`;
    const percent = (share: number) => `${(100 * share).toFixed(3)} %`;
    byId("clipped").textContent = `at black ${percent(black)}, at white ${percent(white)}`;
    this.#view.rest(picture, this.#against());
    this.#drawStrip();
    void this.#compare();
  }

  #against(): Against {
    const { comparison, share } = this.#variants;
    return { other: this.#other, comparison, share, blinked: this.#blinked };
  }

  async #compare(): Promise<void> {
    const state = this.#variants.other(this.#state, this.#stretchAt);
    byId("wipe").hidden = this.#variants.comparison !== "wipe";
    byId("blink").hidden = this.#variants.comparison !== "blink";
    if (state === null) this.#other = null;
    else {
      const wish = this.#wish(state);
      const name = this.#nameOf(wish);
      const kept = this.#pictures.get(name) ?? stillOf(await this.#librarian.ask(wish));
      this.#keepPicture(name, kept);
      this.#other = kept;
    }
    this.#view.compare(this.#against());
  }

  #read(pixel: { readonly x: number; readonly y: number } | null): void {
    const { width, height, scale, corner, unit } = this.#shown;
    if (pixel === null) {
      this.#pointed = null;
      byId("readout").textContent = " ";
      return this.#drawStrip();
    }
    const row = this.#content.topDown ? pixel.y : height - 1 - pixel.y;
    const levels = this.#planes.map((plane) => plane[row * width + pixel.x]);
    const at = [pixel.x, row].map((each, k) => Math.floor(corner[k] + (each + 0.5) * scale));
    const codes = this.#exact === null ? null : this.#codesAt(this.#exact, pixel);
    this.#pointed = levels.reduce((a, b) => a + b, 0) / levels.length;
    const shown = codes === null ? "" : ` · drawn as ${codes.join(", ")}`;
    const stored = levels.map(shortNumber).join(", ");
    byId("readout").textContent = `x ${at[0]}, y ${at[1]} · ${stored} ${unit}${shown}`;
    this.#drawStrip();
  }

  #codesAt({ made }: StillPicture, { x, y }: { readonly x: number; readonly y: number }): readonly number[] {
    const at = 4 * (y * made.width + x);
    return [...made.pixels.subarray(at, at + 3)];
  }

  #drawStrip(): void {
    drawStrip({
      axis: this.#content.axis,
      counts: this.#counts,
      stretch: this.#stretch(),
      logarithmic: byId<HTMLInputElement>("logarithmic").checked,
      pointed: this.#pointed,
    });
  }

  #drawTree(): void {
    const { nodes, present } = this.#tree;
    byId("history").replaceChildren(...nodes.map(({ label }, at) => {
      const branch = this.#tree.branchOf(at);
      const words = branch === 0 ? label : `${"↳ ".repeat(branch)}${label}`;
      const pressed = { "aria-pressed": String(at === present) };
      const line = element("li", { children: [button(words, () => this.#goTo(() => this.#tree.go(at)), pressed)] });
      return line;
    }));
    byId("history").lastElementChild?.scrollIntoView({ block: "nearest", inline: "nearest" });
  }

  #showWaysOut(): void {
    byId("cell").textContent = cellText(this.#content.sentences, this.#state, this.#content.name);
    byId("recipe").textContent = this.recipe;
  }

  #copy(id: string): void {
    getSelection()?.selectAllChildren(byId(id));
    document.execCommand("copy");
    byId("told").textContent = "copied";
  }

  #save(): void {
    const address = URL.createObjectURL(new Blob([`${this.recipe}\n`], { type: "application/json" }));
    element("a", { attributes: { href: address, download: `${this.#content.name}.recipe.json` } }).click();
    byId("told").textContent = "saved as a recipe";
  }

  #savePicture(): void {
    this.#exact?.canvas.toBlob((blob) => {
      if (blob === null) return;
      const address = URL.createObjectURL(blob);
      element("a", { attributes: { href: address, download: `${this.#content.name}.png` } }).click();
    });
  }

  #hear(): void {
    const pictures = this.#content.pictures.map((each) =>
      button(each.realPixels ? "real pixels" : "the whole", () => void this.open(each), { "aria-pressed": "false" })
    );
    byId("pictures").replaceChildren(...pictures);
    const press: Readonly<Record<string, () => void>> = {
      fit: () => this.#view.zoomToFit(),
      whole: () => this.#view.zoomTo(1),
      undo: () => this.#goTo(() => this.#tree.back()),
      redo: () => this.#goTo(() => this.#tree.forward()),
      copy: () => this.#copy("cell"),
      copyRecipe: () => this.#copy("recipe"),
      save: () => this.#save(),
      savePicture: () => this.#savePicture(),
      theme: () => this.#turnTheme(),
      keep: () => this.#keep(),
    };
    for (const [id, act] of Object.entries(press)) byId(id).addEventListener("click", act);
    byId("logarithmic").addEventListener("input", () => this.#drawStrip());
    byId("blink").addEventListener("click", () => this.#blink(!this.#blinked));
    this.#hearStrip();
    document.addEventListener("keydown", (event) => {
      if (!(event.ctrlKey || event.metaKey) || event.key.toLowerCase() !== "z") return;
      event.preventDefault();
      this.#goTo(() => event.shiftKey ? this.#tree.forward() : this.#tree.back());
    });
  }

  #blink(other: boolean): void {
    this.#blinked = other;
    this.#view.compare(this.#against());
  }

  #keep(): void {
    const field = byId<HTMLInputElement>("name");
    const name = field.value.trim() || this.#tree.nodes[this.#tree.present].label;
    this.#variants.keep(name, this.#state);
    field.value = "";
    void this.#compare();
  }

  #turnTheme(): void {
    const root = document.documentElement;
    const dark = matchMedia("(prefers-color-scheme: dark)").matches;
    const now = root.dataset.theme ?? (dark ? "dark" : "light");
    root.dataset.theme = now === "dark" ? "light" : "dark";
    this.#drawStrip();
  }

  /** Black or white, whichever is nearer, follows the pointer along the strip. */
  #hearStrip(): void {
    const strip = byId("strip");
    let held: "black" | "white" | null = null;
    const move = (event: PointerEvent) => {
      if (held === null) return;
      const box = strip.getBoundingClientRect();
      const level = stripLevel((event.clientX - box.left) / box.width, this.#content.axis);
      const rounded = Number(level.toPrecision(5));
      const { black, white } = this.#stretch();
      if (held === "black" ? rounded >= white : rounded <= black) return;
      const options = { ...this.#state[this.#stretchAt].options, [held]: rounded };
      const state = this.#state.map((each, at) => at === this.#stretchAt ? { ...each, options } : each);
      this.#change(state, `${held} ${shortNumber(rounded)}`);
      this.#form.show(state, this.#shown.realPixels);
    };
    strip.addEventListener("pointerdown", (event) => {
      const box = strip.getBoundingClientRect();
      const at = (event.clientX - box.left) / box.width;
      const { black, white } = this.#stretch();
      const far = (level: number) => Math.abs(stripPlace(level, this.#content.axis) - at);
      held = far(black) < far(white) ? "black" : "white";
      strip.setPointerCapture(event.pointerId);
      move(event);
    });
    strip.addEventListener("pointermove", move);
    strip.addEventListener("pointerup", () => held = null);
  }
}

async function begin(): Promise<void> {
  const content: WorkbenchContent = JSON.parse(byId("content").textContent);
  const [engine, kernels] = await Promise.all(["engine", "kernels"].map((id) => inflated(byId(id).textContent)));
  const workbench = new Workbench(content, new Librarian(engine, kernels));
  Object.assign(globalThis, { workbench });
  await workbench.open(content.pictures[0]);
}

void begin();
