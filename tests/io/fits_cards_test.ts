/** Covers core/header.ts and wcs_cards.ts. */
import { Buffer } from "node:buffer";
import { readFileSync } from "node:fs";
import { describe, expect, it } from "vitest";
import { card, cardNumber, type Header } from "../../lib/doors/io.ts";
import { formatCard, formatCards, latin1Bytes, parseCards } from "../../lib/io/fits_cards.ts";
import { cardValue } from "../../lib/doors/io.ts";
import { readFitsHeader } from "../../lib/doors/io.ts";
import { expectedFiles, fixture } from "./fixtures.ts";
import { headerWithWcs, wcsFromHeader } from "../../lib/io/wcs_cards.ts";

const lines = (...texts: readonly string[]): Header =>
  parseCards(latin1Bytes(texts.map((each) => each.padEnd(80)).join(""))).cards;

describe("header cards", () => {
  it("are read as astropy 8.0.2 reads them: long strings, quotes, HIERARCH, logical, tiny and big numbers", () => {
    const header = readFitsHeader(fixture("header-forms.fits"));
    const { cards = {}, big } = expectedFiles()["header-forms.fits"];
    for (const [name, value] of Object.entries(cards)) {
      expect(cardValue(header, name.startsWith("HIERARCH") ? name.toUpperCase() : name)).toBe(value);
    }
    expect(String(cardValue(header, "BIG"))).toBe(big);
    expect(header.filter((each) => each.keyword === "HISTORY").map((each) => each.value)).toEqual([
      "first step",
      "second step",
    ]);
    expect(header.find((each) => each.keyword === "LONG")?.comment).toBe("comment of the long string");
    expect(cardValue(header, "EMPTY")).toBe(null);
    expect(String(cardValue(header, "COMPLEX"))).toMatch(/^\(1\.5, -2\.0\)$/);
  });

  const forms: readonly (readonly [string, unknown, string])[] = [
    ["KEY     =                    T / yes", true, "yes"],
    ["KEY     =                    F", false, ""],
    ["KEY     = 42", 42, ""],
    ["KEY     =               +0042 / int", 42, "int"],
    ["KEY     = 9223372036854775807", 9223372036854775807n, ""],
    ["KEY     = 1.5D-3 / double", 0.0015, "double"],
    ["KEY     = -.5e2/no blank", -50, "no blank"],
    ["KEY     = 1.", 1, ""],
    ["KEY     = 'It''s'              / quote", "It's", "quote"],
    ["KEY     = 'a / b' / c", "a / b", "c"],
    ["KEY     = '  lead  '", "  lead", ""],
    ["KEY     = ''", "", ""],
    ["KEY     = '        '", " ", ""],
    ["KEY     =", null, ""],
    ["KEY     =                      / undefined", null, "undefined"],
    ["KEY     = (1.0, 2.0)", "(1.0, 2.0)", ""],
    ["key     = 7 / lower case keyword", 7, "lower case keyword"],
    ["KEY     =7", 7, ""],
  ];
  for (const [text, value, comment] of forms) {
    it(`read ${JSON.stringify(text)}`, () => {
      const [found] = lines(text);
      expect(found.keyword).toBe("KEY");
      expect(found.value).toBe(value);
      expect(found.comment).toBe(comment);
    });
  }

  it("join CONTINUE cards, and leave those alone that continue nothing", () => {
    const header = lines(
      "LONG    = 'one &'",
      "CONTINUE  'two &' / first",
      "CONTINUE  'three' / second",
      "ODD     = 'ends with &'",
      "NEXT    = 1",
      "CONTINUE  'stray'",
    );
    expect(header.map((each) => [each.keyword, each.value])).toEqual([
      ["LONG", "one two three"],
      ["ODD", "ends with &"],
      ["NEXT", 1],
      ["CONTINUE", "  'stray'"],
    ]);
    expect(header[0].comment).toBe("first second");
    expect(header[0].raw?.length).toBe(240);
  });

  it("tolerate what can be understood, and say so", () => {
    const odd = parseCards(latin1Bytes("OPEN    = 'no end".padEnd(80) + "BARE    = word here / x".padEnd(80)));
    expect(odd.cards.map((each) => each.value)).toEqual(["no end", "word here"]);
    expect(odd.notes.map((each) => each.slice(0, 30))).toEqual([
      "card OPEN at byte 0 has no clo",
      "card BARE at byte 80 has the u",
    ]);
  });

  it("are written in fixed format (FITS 4.0 section 4.2)", () => {
    expect(formatCard(card("NAXIS", 2, "axes"))).toBe("NAXIS   =                    2 / axes".padEnd(80));
    expect(formatCard(card("SIMPLE", true))).toBe("SIMPLE  =                    T".padEnd(80));
    expect(formatCard(card("OBJECT", "M13"))).toBe("OBJECT  = 'M13     '".padEnd(80));
    expect(formatCard(card("TINY", 1.5e-12))).toBe("TINY    =              1.5E-12".padEnd(80));
    expect(formatCard(card("NONE", null, "undefined"))).toBe("NONE    =                      / undefined".padEnd(80));
    expect(formatCard(card("HISTORY", "x".repeat(100))).length).toBe(160);
    expect(formatCards([card("A", 1)]).length).toBe(2880);
    expect(formatCards(Array.from({ length: 36 }, () => card("A", 1))).length).toBe(5760);
  });

  it("are written anew when the value was changed but the old text left on the card", () => {
    const [old] = lines("GAIN    =                  100 / dial");
    const text = Buffer.from(formatCards([{ ...old, value: 120 }])).toString("latin1");
    expect(parseCards(latin1Bytes(text)).cards[0].value).toBe(120);
    expect(Buffer.from(formatCards([old])).toString("latin1").slice(0, 80)).toBe(old.raw);
  });

  it("hold what astropy wrote, byte for byte, after a round trip of the text", () => {
    const bytes = readFileSync(fixture("header-forms.fits"));
    const { cards } = parseCards(bytes);
    expect(Buffer.from(formatCards(cards)).equals(bytes.subarray(0, formatCards(cards).length))).toBe(true);
  });
});

describe("sky coordinates in cards", () => {
  const base = lines(
    "CTYPE1  = 'RA---TAN'",
    "CTYPE2  = 'DEC--TAN'",
    "CRPIX1  = 10.0",
    "CRPIX2  = 20.0",
    "CRVAL1  = 83.5",
    "CRVAL2  = -5.5",
  );
  it("count the reference pixel from 0", () => {
    const wcs = wcsFromHeader([...base, ...lines("CDELT1  = -0.001", "CDELT2  = 0.001")]);
    expect(wcs?.referencePixel).toEqual({ x: 9, y: 19 });
    expect(wcs?.cd).toEqual([-0.001, 0, 0, 0.001]);
  });
  it("mean the same with CD, PC and CROTA2 (Greisen & Calabretta 2002)", () => {
    const a = Math.PI / 6;
    const c = Math.cos(a);
    const s = Math.sin(a);
    const delta = lines("CDELT1  = -0.001", "CDELT2  = 0.002");
    const rotated = wcsFromHeader([...base, ...delta, card("CROTA2", 30)]);
    const matrix = [-0.001 * c, -0.002 * s, -0.001 * s, 0.002 * c];
    rotated?.cd.forEach((each, index) => expect(each).toBeCloseTo(matrix[index], 15));
    // PCi_j = CDi_j / CDELTi
    const pc = [card("PC1_1", c), card("PC1_2", 2 * s), card("PC2_1", -s / 2), card("PC2_2", c)];
    wcsFromHeader([...base, ...delta, ...pc])?.cd.forEach((each, index) => expect(each).toBeCloseTo(matrix[index], 15));
    const full = matrix.map((each, index) => card(`CD${index < 2 ? 1 : 2}_${index % 2 + 1}`, each));
    expect(wcsFromHeader([...base, ...full])?.cd).toEqual(matrix);
  });
  it("are none when axes are no sky, a card is missing or the matrix is flat", () => {
    expect(wcsFromHeader(base)).toBe(null);
    expect(wcsFromHeader(lines("CTYPE1  = ' PIXEL  '", "CTYPE2  = ' PIXEL  '"))).toBe(null);
    expect(wcsFromHeader([...base, ...lines("CDELT1  = 0.0", "CDELT2  = 1.0")])).toBe(null);
  });
  it("keep distortion terms over a shift, and drop them with any other change", () => {
    const sip = [
      ...lines("CTYPE1  = 'RA---TAN-SIP'", "CTYPE2  = 'DEC--TAN-SIP'"),
      ...base.slice(2),
      ...lines(
        "CD1_1   = -0.001",
        "CD1_2   = 0.0",
        "CD2_1   = 0.0",
        "CD2_2   = 0.001",
        "A_ORDER = 2",
        "A_2_0   = 1E-6",
      ),
    ];
    const wcs = wcsFromHeader(sip)!;
    expect(headerWithWcs(sip, wcs)).toBe(sip);
    const moved = headerWithWcs(sip, { ...wcs, referencePixel: { x: 1, y: 2 } });
    expect(cardNumber(moved, "CRPIX1")).toBe(2);
    expect(cardNumber(moved, "A_2_0")).toBe(1e-6);
    const scaled = headerWithWcs(sip, { ...wcs, cd: [-0.002, 0, 0, 0.002] });
    expect(cardNumber(scaled, "A_2_0")).toBe(null);
    expect(cardValue(scaled, "CTYPE1")).toBe("RA---TAN");
    expect(wcsFromHeader(scaled)?.cd).toEqual([-0.002, 0, 0, 0.002]);
    expect(wcsFromHeader(headerWithWcs(sip, null))).toBe(null);
  });
});
