/** FITS header cards as typed values. The header is an ordered list; unknown cards survive a round trip. */

/** Value of a card: text, number, integer beyond 2^53, logical, complex as text, `null` for an undefined value. */
export type CardValue = string | number | bigint | boolean | null;

/** One logical card (a value continued over several cards is one). Commentary cards have `value` text and no `=`. */
export interface Card {
  /** Keyword in upper case, `""` for a blank card, `"HIERARCH …"` with its words for the registered convention. */
  readonly keyword: string;
  /** The value; the text of COMMENT, HISTORY and blank cards. */
  readonly value: CardValue;
  /** Comment behind the slash, without it. */
  readonly comment: string;
  /** The original 80-column text(s), kept so that an untouched card is written back byte for byte. */
  readonly raw?: string;
}

/** A FITS header: cards in file order, without END. */
export type Header = readonly Card[];

/**
 * A card, with no comment unless given.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { card } from "faintlight/io";
 *
 * assert.equal(card("FILTER", "Ha").comment, "");
 * ```
 */
export const card = (keyword: string, value: CardValue, comment = ""): Card => ({ keyword, value, comment });

/**
 * First value of a keyword, or `undefined` when it is absent.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { card, cardValue } from "faintlight/io";
 *
 * assert.equal(cardValue([card("GAIN", 100)], "GAIN"), 100);
 * assert.equal(cardValue([], "GAIN"), undefined);
 * ```
 */
export function cardValue(header: Header, keyword: string): CardValue | undefined {
  return header.find((each) => each.keyword === keyword)?.value;
}

/**
 * First numeric value among the keywords given, in their order; text that is a number counts. `null` when there is
 * none.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { card, cardNumber } from "faintlight/io";
 *
 * assert.equal(cardNumber([card("EXPOSURE", "3.0D2")], "EXPTIME", "EXPOSURE"), 300);
 * ```
 */
export function cardNumber(header: Header, ...keywords: readonly string[]): number | null {
  for (const keyword of keywords) {
    const value = cardValue(header, keyword);
    if (typeof value === "number" && Number.isFinite(value)) return value;
    if (typeof value === "bigint") return Number(value);
    if (typeof value === "string" && /^[+-]?(\d+\.?\d*|\.\d+)([eEdD][+-]?\d+)?$/.test(value.trim())) {
      return Number(value.trim().replace(/[dD]/, "e"));
    }
  }
  return null;
}

/**
 * First non-empty text among the keywords given, trimmed. `null` when there is none.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { card, cardText } from "faintlight/io";
 *
 * assert.equal(cardText([card("FILTER", " Ha ")], "FILTER"), "Ha");
 * ```
 */
export function cardText(header: Header, ...keywords: readonly string[]): string | null {
  for (const keyword of keywords) {
    const value = cardValue(header, keyword);
    if (typeof value === "string" && value.trim() !== "") return value.trim();
    if (typeof value === "number" || typeof value === "bigint") return String(value);
  }
  return null;
}

/**
 * A header with the cards set: a keyword that exists is replaced in place, a new one is appended.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { card, withCards } from "faintlight/io";
 *
 * const header = withCards([card("GAIN", 100)], [card("GAIN", 200), card("OFFSET", 10)]);
 * assert.deepEqual(header.map((each) => each.value), [200, 10]);
 * ```
 */
export function withCards(header: Header, cards: readonly Card[]): Header {
  const result = [...header];
  for (const each of cards) {
    const commentary = each.keyword === "" || each.keyword === "COMMENT" || each.keyword === "HISTORY";
    const at = commentary ? -1 : result.findIndex((old) => old.keyword === each.keyword);
    if (at < 0) result.push(each);
    else result[at] = each;
  }
  return result;
}

/**
 * A header without the keywords given.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { card, withoutCards } from "faintlight/io";
 *
 * assert.deepEqual(withoutCards([card("GAIN", 100)], ["GAIN"]), []);
 * ```
 */
export function withoutCards(header: Header, keywords: readonly string[]): Header {
  return header.filter((each) => !keywords.includes(each.keyword));
}
