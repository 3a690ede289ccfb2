/** Cards that a layout depends on, read with their rules and complaints. */
import { FrameError } from "../core/errors.ts";
import { cardNumber, type CardValue, cardValue, type Header } from "../core/header.ts";
import { type Bitpix, isBitpix, type Scaling } from "./samples.ts";

/** Reads cards of one HDU and complains with the file's name. */
export class CardReader {
  /** The file, for messages. */
  readonly path: string;
  /** Number of the HDU. */
  readonly hdu: number;
  /** The cards. */
  readonly header: Header;

  /** A reader of the cards of one HDU. */
  constructor(path: string, hdu: number, header: Header) {
    this.path = path;
    this.hdu = hdu;
    this.header = header;
  }
  /** The error for a card that breaks a rule. */
  fail(keyword: string, value: CardValue | undefined, rule: string): FrameError {
    const got = value === undefined ? "is missing" : `is ${typeof value === "string" ? `'${value}'` : String(value)}`;
    return new FrameError(
      this.path,
      "bad-card",
      `card ${keyword} of HDU ${this.hdu} must ${rule}, but ${got}`,
      "the header is damaged; copy the file again",
    );
  }
  /** A whole number that must be there. */
  count(keyword: string): number {
    const value = cardValue(this.header, keyword);
    if (typeof value !== "number" || !Number.isInteger(value) || value < 0) {
      throw this.fail(keyword, value, "be a whole number of at least 0");
    }
    return value;
  }
  /** A whole number with a value when it is absent. */
  optionalCount(keyword: string, otherwise: number): number {
    return cardValue(this.header, keyword) === undefined ? otherwise : this.count(keyword);
  }
  /** A finite number with a value when it is absent or blank. */
  optionalNumber(keyword: string, otherwise: number): number {
    const value = cardValue(this.header, keyword) ?? null;
    const found = value === null ? otherwise : cardNumber(this.header, keyword);
    if (found === null || !Number.isFinite(found)) throw this.fail(keyword, value ?? undefined, "be a number");
    return found;
  }
  /** BITPIX or ZBITPIX. */
  bitpix(keyword: string): Bitpix {
    const value = cardValue(this.header, keyword);
    if (!isBitpix(value)) throw this.fail(keyword, value, "be 8, 16, 32, 64, -32 or -64");
    return value;
  }
  /** Lengths of the axes. */
  axes(prefix: string): number[] {
    const count = this.count(prefix);
    if (count > 999) throw this.fail(prefix, count, "be at most 999");
    return Array.from({ length: count }, (_, index) => this.count(`${prefix}${index + 1}`));
  }
  /** BSCALE, BZERO, BLANK. */
  scaling(bitpix: Bitpix): Scaling {
    const blank = cardValue(this.header, "BLANK");
    const scale = this.optionalNumber("BSCALE", 1);
    const zero = this.optionalNumber("BZERO", 0);
    if (scale === 0) throw this.fail("BSCALE", 0, "not be 0");
    const usable = bitpix > 0 && (typeof blank === "number" || typeof blank === "bigint");
    return { scale, zero, blank: usable ? blank : null };
  }
}

/** Product of lengths; 1 for none. */
export const product = (numbers: readonly number[]): number => numbers.reduce((all, each) => all * each, 1);
