/** FITS header text: 80-column cards to typed values and back (FITS 4.0 sections 3.3, 4.1 and 4.2). */
import type { Card, CardValue, Header } from "../core/header.ts";

/** Bytes of a FITS block. */
export const BLOCK = 2880;
/** Columns of a card. */
export const CARD = 80;

/** What was read from header text. */
export interface ParsedHeader {
  /** Cards in order, without END. */
  readonly cards: Header;
  /** Oddities that were tolerated, one sentence each. */
  readonly notes: readonly string[];
}

const latin1 = (bytes: Uint8Array, from: number, to: number): string => {
  let text = "";
  for (let at = from; at < to; at++) text += String.fromCharCode(bytes[at]);
  return text;
};

/** Bytes of text whose characters are all below 256; the reverse of how headers are read. */
export function latin1Bytes(text: string): Uint8Array {
  const bytes = new Uint8Array(text.length);
  for (let at = 0; at < text.length; at++) bytes[at] = text.charCodeAt(at);
  return bytes;
}

const isCommentary = (keyword: string) => keyword === "COMMENT" || keyword === "HISTORY" || keyword === "";

/** Column of the END card in header bytes, or −1 when it is not there yet. */
export function findEnd(bytes: Uint8Array, from = 0): number {
  for (let at = from; at + CARD <= bytes.length; at += CARD) {
    if (bytes[at] !== 69 || bytes[at + 1] !== 78 || bytes[at + 2] !== 68) continue;
    let blank = true;
    for (let k = 3; k < CARD && blank; k++) blank = bytes[at + k] === 32 || bytes[at + k] === 0;
    if (blank) return at;
  }
  return -1;
}

const integerForm = /^[+-]?\d+$/;
const realForm = /^[+-]?(\d+\.?\d*|\.\d+)([eEdD][+-]?\d+)?$/;

function scalar(field: string): CardValue | undefined {
  const text = field.trim();
  if (text === "") return null;
  if (text === "T") return true;
  if (text === "F") return false;
  if (integerForm.test(text)) {
    const value = Number(text);
    return Number.isSafeInteger(value) ? value : BigInt(text.replace("+", ""));
  }
  if (realForm.test(text)) return Number(text.replace(/[dD]/, "e"));
  if (/^\(.*\)$/.test(text)) return text; // complex numbers stay text
  return undefined;
}

interface Field {
  readonly value: CardValue;
  readonly comment: string;
  readonly note?: string;
}

/** Value and comment of the part of a card behind `=`. */
function parseField(field: string): Field {
  const start = field.search(/[^ ]/);
  if (start < 0) return { value: null, comment: "" };
  if (field[start] === "'") {
    let text = "";
    let at = start + 1;
    for (;; at++) {
      if (at >= field.length) return { value: text.trimEnd(), comment: "", note: "has no closing quote" };
      if (field[at] !== "'") text += field[at];
      else if (field[at + 1] === "'") {
        text += "'";
        at++;
      } else break;
    }
    const rest = field.slice(at + 1);
    const slash = rest.indexOf("/");
    // a string of blanks only keeps one, so that it differs from the empty string (section 4.2.1.1)
    const value = text === "" ? "" : text.trimEnd() || " ";
    return { value, comment: slash < 0 ? "" : rest.slice(slash + 1).trim() };
  }
  const slash = field.indexOf("/");
  const body = slash < 0 ? field : field.slice(0, slash);
  const comment = slash < 0 ? "" : field.slice(slash + 1).trim();
  const value = scalar(body);
  if (value !== undefined) return { value, comment };
  return { value: body.trim(), comment, note: `has the unquoted value ${JSON.stringify(body.trim())}, taken as text` };
}

function parseCard(raw: string): { card: Card; note?: string } {
  const keyword = raw.slice(0, 8).trimEnd().toUpperCase();
  if (keyword === "HIERARCH") {
    const equals = raw.indexOf("=", 8);
    if (equals > 0 && !raw.slice(8, equals).includes("'")) {
      const words = raw.slice(8, equals).trim().split(/ +/).join(" ").toUpperCase();
      const { value, comment, note } = parseField(raw.slice(equals + 1));
      return { card: { keyword: `HIERARCH ${words}`, value, comment, raw }, note };
    }
  }
  if (!isCommentary(keyword) && keyword !== "CONTINUE" && raw[8] === "=") {
    const { value, comment, note } = parseField(raw.slice(raw[9] === " " ? 10 : 9));
    return { card: { keyword, value, comment, raw }, note };
  }
  return { card: { keyword, value: raw.slice(8).trimEnd(), comment: "", raw } };
}

/** Keywords that stand several times with different values. The standard leaves open which holds (FITS 4.0, 4.1). */
function repeatedNotes(cards: Header): string[] {
  const values = new Map<string, CardValue[]>();
  for (const { keyword, value } of cards) {
    if (isCommentary(keyword) || keyword === "CONTINUE") continue;
    const known = values.get(keyword);
    if (known === undefined) values.set(keyword, [value]);
    else if (!known.some((each) => Object.is(each, value))) known.push(value);
  }
  return [...values].filter(([, found]) => found.length > 1).map(([keyword, [first, ...others]]) =>
    `card ${keyword} stands several times with different values: ${JSON.stringify(String(first))} is taken, not ${
      others.slice(0, 3).map((each) => JSON.stringify(String(each))).join(", ")
    }`
  );
}

/** Whether a string says that the next card goes on with it. */
const mayGoOn = (value: Card["value"]): boolean => typeof value === "string" && value.endsWith("&");

/** A card and the `CONTINUE` cards behind it, put together once and at the end: a chain of them may be long. */
class LongString {
  readonly #first: Card;
  readonly #values: string[] = [];
  readonly #comments: string[] = [];
  readonly #raws: string[] = [];

  constructor(first: Card) {
    this.#first = first;
    this.add(String(first.value), first.comment, first.raw ?? "");
  }

  /** Whether the next card may go on with it. */
  get goesOn(): boolean {
    return mayGoOn(this.#values[this.#values.length - 1]);
  }

  /** Go on with the string of a `CONTINUE` card. */
  add(value: string, comment: string, raw: string): void {
    this.#values.push(value);
    this.#comments.push(comment);
    this.#raws.push(raw);
  }

  /** The card with all of its string. */
  toCard(): Card {
    if (this.#values.length === 1) return this.#first;
    const last = this.#values.length - 1;
    return {
      keyword: this.#first.keyword,
      value: this.#values.map((value, k) => k < last ? value.slice(0, -1) : value).join(""),
      comment: this.#comments.filter((part) => part !== "").join(" "),
      raw: this.#raws.join(""),
    };
  }
}

/** Cards of header bytes (whole cards, up to END or the end of the bytes). */
export function parseCards(bytes: Uint8Array): ParsedHeader {
  const end = findEnd(bytes);
  const stop = end < 0 ? bytes.length - bytes.length % CARD : end;
  const cards: Card[] = [];
  const notes: string[] = [];
  let open: LongString | null = null;
  for (let at = 0; at < stop; at += CARD) {
    const raw = latin1(bytes, at, at + CARD);
    const { card, note } = parseCard(raw);
    if (note !== undefined) notes.push(`card ${card.keyword} at byte ${at} ${note}`);
    if (card.keyword === "CONTINUE" && open?.goesOn) {
      const field = parseField(raw.slice(8));
      if (typeof field.value === "string" && field.note === undefined) {
        open.add(field.value, field.comment, raw);
        continue;
      }
    }
    if (open !== null) cards[cards.length - 1] = open.toCard();
    open = mayGoOn(card.value) ? new LongString(card) : null;
    cards.push(card);
  }
  if (open !== null) cards[cards.length - 1] = open.toCard();
  return { cards, notes: [...notes, ...repeatedNotes(cards)] };
}

/** Text with every character that a header may not hold (FITS 4.0 section 4.1.2.3) as `\uXXXX`. */
const printable = (text: string): string =>
  text.replace(/[^ -~]/g, (sign) => `\\u${sign.charCodeAt(0).toString(16).padStart(4, "0")}`);

/** The empty string stays empty: blanks would make it another value (section 4.2.1.1). */
const quoted = (text: string): string => text === "" ? "''" : `'${text.replaceAll("'", "''").padEnd(8)}'`;

function numberText(value: number): string {
  if (!Number.isFinite(value)) throw new RangeError(`writeFits: a card must hold a finite number, but got ${value}`);
  return String(value).toUpperCase();
}

/** Pieces of a long string, so that each fits one card with its quotes; a doubled quote is never split. */
function stringPieces(text: string, room: number): string[] {
  const pieces: string[] = [];
  let piece = "";
  let used = 0;
  for (const sign of text) {
    const cost = sign === "'" ? 2 : 1;
    if (used + cost > room) {
      pieces.push(piece);
      piece = "";
      used = 0;
    }
    piece += sign;
    used += cost;
  }
  pieces.push(piece);
  return pieces;
}

function valueCards(head: string, value: CardValue, comment: string): string {
  const remark = printable(comment);
  if (typeof value === "string") {
    const text = printable(value);
    const whole = `${head}${quoted(text)}`;
    if (whole.length <= CARD) {
      // a comment that does not fit is cut, as the standard allows, rather than spread
      return (remark === "" ? whole : `${whole.padEnd(30)} / ${remark}`).slice(0, CARD).padEnd(CARD);
    }
    const first = CARD - head.length - 3; // two quotes and the ampersand
    if (first < 1) {
      throw new RangeError(`writeFits: keyword "${head.trim()}" must leave room for its value, but is too long`);
    }
    const [start, ...rest] = stringPieces(text, Math.min(first, 67));
    const more = stringPieces(rest.join(""), 67);
    let cards = `${head}'${start.replaceAll("'", "''")}&'`.padEnd(CARD);
    more.forEach((piece, index) => {
      const last = index === more.length - 1;
      const body = `CONTINUE  '${piece.replaceAll("'", "''")}${last ? "" : "&"}'`;
      cards += (last && remark !== "" ? `${body} / ${remark}` : body).slice(0, CARD).padEnd(CARD);
    });
    return cards;
  }
  const body = value === null
    ? ""
    : typeof value === "boolean"
    ? value ? "T" : "F"
    : typeof value === "bigint"
    ? String(value)
    : numberText(value);
  const free = head.length > 10 ? body : body.padStart(20); // HIERARCH has no fixed columns
  const whole = `${head}${free}`;
  if (whole.length > CARD) {
    throw new RangeError(`writeFits: card "${head.trim()}" must fit 80 columns, but needs ${whole.length}`);
  }
  return (remark === "" ? whole : `${whole} / ${remark}`).slice(0, CARD).padEnd(CARD);
}

/** Text of one logical card: one or several times 80 columns, in fixed format. */
export function formatCard({ keyword, value, comment }: Card): string {
  if (isCommentary(keyword) || keyword === "CONTINUE") {
    const text = printable(String(value ?? ""));
    let cards = "";
    for (let at = 0; at === 0 || at < text.length; at += CARD - 8) {
      cards += (keyword.padEnd(8) + text.slice(at, at + CARD - 8)).padEnd(CARD);
    }
    return cards;
  }
  if (keyword.startsWith("HIERARCH ")) return valueCards(`${printable(keyword)} = `, value, comment);
  if (!/^[A-Z0-9_-]{1,8}$/.test(keyword)) {
    throw new TypeError(
      `writeFits: a keyword must have 1 to 8 of A–Z, 0–9, _ and -, but got ${
        JSON.stringify(keyword)
      }; write "HIERARCH …" for longer ones`,
    );
  }
  return valueCards(`${keyword.padEnd(8)}= `, value, comment);
}

const sameValue = (a: Card, b: Card): boolean =>
  a.keyword === b.keyword && Object.is(a.value, b.value) && a.comment === b.comment;

/** Text of a card as it was read when it was not touched since, else written anew. */
function cardText80(card: Card): string {
  if (card.raw !== undefined && card.raw.length % CARD === 0 && card.raw.length > 0) {
    const again = parseCards(latin1Bytes(card.raw)).cards;
    if (again.length === 1 && sameValue(again[0], card)) return card.raw;
  }
  return formatCard(card);
}

/** Header bytes of cards: END added, padded with blanks to whole blocks. */
export function formatCards(cards: Header): Uint8Array {
  const text = `${cards.map(cardText80).join("")}${"END".padEnd(CARD)}`;
  return latin1Bytes(text.padEnd(Math.ceil(text.length / BLOCK) * BLOCK));
}
