/** The header of the image behind a table of tiles. */
import { type Card, card, type Header } from "../core/header.ts";
import type { Bitpix } from "./samples.ts";

/** Cards that say how an image was put into tiles, as a pattern (section 10.1). */
export const tileCards = "Z(IMAGE|CMPTYPE|BITPIX|NAXIS\\d*|TILE\\d+|NAME\\d+|VAL\\d+|SIMPLE|TENSION|EXTEND|BLOCKED|" +
  "PCOUNT|GCOUNT|HECKSUM|DATASUM|QUANTIZ|DITHER0|MASKCMP|BLANK|SCALE|ZERO)";

const tableCard = new RegExp(
  "^(XTENSION|BITPIX|NAXIS\\d*|PCOUNT|GCOUNT|TFIELDS|THEAP|T(TYPE|FORM|UNIT|DIM|NULL|SCAL|ZERO|DISP)\\d+|" +
    `CHECKSUM|DATASUM|${tileCards})$`,
);

/** Cards of the image that a compressed table stands for (section 10.1.2). */
export function restoredHeader(stored: Header, bitpix: Bitpix, axes: readonly number[]): Header {
  const comment = (keyword: string) => stored.find((each) => each.keyword === keyword)?.comment ?? "";
  const extension = stored.find((each) => each.keyword === "ZTENSION");
  const start: Card[] = [
    extension === undefined ? card("SIMPLE", true, comment("ZSIMPLE")) : card("XTENSION", "IMAGE", extension.comment),
    card("BITPIX", bitpix, comment("ZBITPIX")),
    card("NAXIS", axes.length, comment("ZNAXIS")),
    ...axes.map((length, index) => card(`NAXIS${index + 1}`, length, comment(`ZNAXIS${index + 1}`))),
  ];
  if (extension !== undefined) {
    start.push(card("PCOUNT", 0, comment("ZPCOUNT")), card("GCOUNT", 1, comment("ZGCOUNT")));
  }
  const rest = stored.filter((each) =>
    !tableCard.test(each.keyword) &&
    !(each.keyword === "EXTNAME" && typeof each.value === "string" && each.value.trim() === "COMPRESSED_IMAGE")
  );
  return [...start, ...rest];
}
