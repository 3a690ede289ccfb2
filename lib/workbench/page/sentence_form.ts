/** The recipe on the page: sentences whose numbers and choices can be taken hold of. */
import type { Json } from "../../core/options.ts";
import type { StripAxis } from "../messages.ts";
import {
  type ChoicePart,
  type NumberPart,
  optionAt,
  type OptionPath,
  type Sentence,
  type SentencePart,
  withOption,
  type WorkbenchState,
} from "../sentence.ts";
import { button, byId, element, shortNumber } from "./elements.ts";
import { rulerStep, rulerSteps, rulerValue } from "./ruler.ts";

/** What the form tells the page. */
export interface FormEvents {
  /** A value moved; `label` says what. */
  readonly changed: (state: WorkbenchState, label: string) => void;
}

/** Draws the sentences and hears what is changed in them. */
export class SentenceForm {
  readonly #sentences: readonly Sentence[];
  readonly #events: FormEvents;
  readonly #root = byId("sentences");
  #axis: StripAxis;
  #state: WorkbenchState;
  /** Whether the picture on the page has real pixels. */
  #realPixels = true;

  /** A form for some sentences. */
  constructor(sentences: readonly Sentence[], state: WorkbenchState, axis: StripAxis, events: FormEvents) {
    this.#sentences = sentences;
    this.#events = events;
    this.#state = state;
    this.#axis = axis;
  }

  /** Show a state, and which steps tell the truth on the picture shown. */
  show(state: WorkbenchState, realPixels: boolean): void {
    this.#state = state;
    this.#realPixels = realPixels;
    const focused = document.activeElement?.getAttribute("data-place") ?? null;
    this.#root.replaceChildren(...this.#sentences.map((sentence, at) => this.#line(sentence, at)));
    if (focused !== null) this.#root.querySelector<HTMLElement>(`[data-place="${CSS.escape(focused)}"]`)?.focus();
  }

  #change(at: number, options: Json, label: string): void {
    const changed = { on: true, options: options as { readonly [name: string]: Json } };
    this.#state = this.#state.map((each, index) => index === at ? changed : each);
    this.#events.changed(this.#state, label);
  }

  #line(sentence: Sentence, at: number): HTMLElement {
    const { on } = this.#state[at];
    const check = element("input", {
      attributes: { type: "checkbox", "aria-label": `${sentence.step}: use this step`, "data-place": `${at}` },
    });
    check.checked = on;
    check.addEventListener("change", () => {
      this.#state = this.#state.map((each, index) => index === at ? { ...each, on: check.checked } : each);
      this.#events.changed(this.#state, `${sentence.step} ${check.checked ? "used" : "left out"}`);
      this.show(this.#state, this.#realPixels);
    });
    check.disabled = sentence.stage === "stretch";
    const words = element("span", { children: sentence.parts.flatMap((part) => this.#part(sentence, at, part)) });
    const line = element("div", {
      attributes: { class: on ? "sentence" : "sentence unused" },
      children: [check, words],
    });
    if (on && sentence.needsRealPixels && !this.#realPixels) {
      const note = "left out here: it works on a scale in pixels; look at the part in real pixels";
      line.append(element("small", { text: note }));
    }
    return line;
  }

  #part(sentence: Sentence, at: number, part: SentencePart): (Node | string)[] {
    if (typeof part === "string") return [part];
    if (part.kind === "number") return [this.#number(sentence, at, part)];
    if (part.kind === "choice") return [this.#choice(sentence, at, part)];
    const family = optionAt(this.#state[at].options, ["curve", "family"]);
    return family === part.family ? part.parts.flatMap((each) => this.#part(sentence, at, each)) : [];
  }

  #number(sentence: Sentence, at: number, part: NumberPart): HTMLElement {
    const value = optionAt(this.#state[at].options, part.path) as number;
    const place = `${at} ${part.path.join(" ")}`;
    const name = `${sentence.step}: ${part.label}${part.unit === "" ? "" : `, ${part.unit}`}`;
    const field = element("input", {
      attributes: { type: "text", inputmode: "decimal", "aria-label": name, "data-place": place, class: "number" },
    });
    const put = (next: number) => {
      field.value = shortNumber(next);
      field.style.width = `${Math.max(2, field.value.length) + 1.5}ch`;
      const original = optionAt(sentence.options, part.path) as number;
      field.classList.toggle("moved", next !== original);
    };
    put(value);
    const take = (next: number) => {
      if (!Number.isFinite(next)) return;
      put(next);
      this.#change(at, withOption(this.#state[at].options, part.path, next), `${part.label} ${shortNumber(next)}`);
    };
    field.addEventListener("change", () => take(Number(field.value.replace(",", "."))));
    field.addEventListener("focus", () => this.#openRuler(field, part, { sentence, at, take, put }));
    field.addEventListener("keydown", (event) => {
      const turn = event.key === "ArrowUp" ? 1 : event.key === "ArrowDown" ? -1 : 0;
      if (turn === 0) return;
      event.preventDefault();
      const steps = part.whole ? 0 : turn * (event.shiftKey ? 50 : event.altKey ? 1 : 5);
      const now = Number(field.value);
      take(part.whole ? now + turn : rulerValue(part, rulerStep(part, now, this.#axis) + steps, this.#axis));
    });
    return element("span", {
      attributes: { class: "value" },
      children: part.unit === "" ? [field] : [field, ` ${part.unit}`],
    });
  }

  #openRuler(
    field: HTMLInputElement,
    part: NumberPart,
    hand: {
      readonly sentence: Sentence;
      readonly at: number;
      readonly take: (value: number) => void;
      readonly put: (value: number) => void;
    },
  ): void {
    this.#root.querySelector(".ruler")?.remove();
    const attributes = { type: "range", min: "0", max: `${rulerSteps}`, "aria-label": `ruler of ${part.label}` };
    const slide = element("input", { attributes });
    slide.value = `${rulerStep(part, Number(field.value), this.#axis)}`;
    slide.addEventListener("input", () => hand.take(rulerValue(part, Number(slide.value), this.#axis)));
    const original = optionAt(hand.sentence.options, part.path) as number;
    const reset = button(`back to ${shortNumber(original)}`, () => {
      hand.take(original);
      slide.value = `${rulerStep(part, original, this.#axis)}`;
    });
    const ends = part.range.map((end) => element("small", { text: shortNumber(end) }));
    const ruler = element("div", { attributes: { class: "ruler" }, children: [ends[0], slide, ends[1], reset] });
    field.closest(".sentence")?.append(ruler);
  }

  #choice(sentence: Sentence, at: number, part: ChoicePart): HTMLElement {
    const attributes = {
      "aria-label": `${sentence.step}: ${part.label}`,
      "data-place": `${at} ${part.path.join(" ")}`,
    };
    const options = part.choices.map(([text], index) => element("option", { text, attributes: { value: `${index}` } }));
    const list = element("select", { attributes, children: options });
    const now = optionAt(this.#state[at].options, part.path);
    list.value = `${part.choices.findIndex(([, value]) => isSameChoice(value, now))}`;
    list.addEventListener("change", () => {
      const [words, value] = part.choices[Number(list.value)];
      this.#change(at, withOption(this.#state[at].options, part.path, value), words);
      this.show(this.#state, this.#realPixels);
    });
    return list;
  }
}

/** Curves of one family are one choice, whatever their bend. */
function isSameChoice(value: Json, now: Json | undefined): boolean {
  const family = (each: Json | undefined) => optionAt(each ?? null, ["family"] satisfies OptionPath);
  return family(value) === undefined ? value === now : family(value) === family(now);
}
