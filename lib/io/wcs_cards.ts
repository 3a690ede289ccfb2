/** Sky coordinates between FITS cards and {@linkcode Wcs} (FITS 4.0 section 8; Greisen & Calabretta 2002). */
import type { Wcs } from "../core/geometry.ts";
import { type Card, card, cardNumber, cardText, type Header } from "../core/header.ts";

/** Axis types this library takes for celestial. */
const celestial = /^(RA--|DEC-|[A-Z]L(ON|AT)-|[A-Z]{2}L[NT])/;

/**
 * Linear celestial coordinates of the first two axes; null when the header has none. CDi_j, PCi_j with CDELTi, and
 * CDELTi with CROTA2 are understood. The reference pixel is counted from 0, as everywhere outside FITS headers.
 */
export function wcsFromHeader(header: Header): Wcs | null {
  const first = cardText(header, "CTYPE1");
  const second = cardText(header, "CTYPE2");
  if (first === null || second === null || !celestial.test(first) || !celestial.test(second)) return null;
  const number = (keyword: string): number | null => cardNumber(header, keyword);
  const x = number("CRPIX1");
  const y = number("CRPIX2");
  const a = number("CRVAL1");
  const b = number("CRVAL2");
  if (x === null || y === null || a === null || b === null) return null;
  let cd: [number, number, number, number];
  if (["CD1_1", "CD1_2", "CD2_1", "CD2_2"].some((keyword) => number(keyword) !== null)) {
    cd = [number("CD1_1") ?? 0, number("CD1_2") ?? 0, number("CD2_1") ?? 0, number("CD2_2") ?? 0];
  } else {
    const dx = number("CDELT1");
    const dy = number("CDELT2");
    if (dx === null || dy === null) return null;
    const rotated = ["PC1_1", "PC1_2", "PC2_1", "PC2_2"].some((keyword) => number(keyword) !== null);
    if (rotated) {
      cd = [
        dx * (number("PC1_1") ?? 1),
        dx * (number("PC1_2") ?? 0),
        dy * (number("PC2_1") ?? 0),
        dy * (number("PC2_2") ?? 1),
      ];
    } else {
      const angle = (number("CROTA2") ?? 0) * Math.PI / 180;
      const c = Math.cos(angle);
      const s = Math.sin(angle);
      cd = angle === 0 ? [dx, 0, 0, dy] : [dx * c, -dy * s, dx * s, dy * c];
    }
  }
  if (!(Math.abs(cd[0] * cd[3] - cd[1] * cd[2]) > 0)) return null;
  return { ctype: [first, second], referencePixel: { x: x - 1, y: y - 1 }, referenceDegrees: [a, b], cd };
}

const linearCards = /^(CTYPE[12]|CRPIX[12]|CRVAL[12]|CUNIT[12]|CDELT[12]|CROTA[12]|CD[12]_[12]|PC[12]_[12])$/;
const polarCards = /^(WCSAXES|LONPOLE|LATPOLE|PV[12]_\d+)$/;
const distortionCards = /^(A|B|AP|BP)_(ORDER|DMAX|\d+_\d+)$/;

const same = (a: Wcs, b: Wcs): boolean =>
  a.ctype[0] === b.ctype[0] && a.ctype[1] === b.ctype[1] && a.referencePixel.x === b.referencePixel.x &&
  a.referencePixel.y === b.referencePixel.y && a.referenceDegrees[0] === b.referenceDegrees[0] &&
  a.referenceDegrees[1] === b.referenceDegrees[1] && a.cd.every((each, index) => each === b.cd[index]);

/**
 * A header whose coordinate cards say what `wcs` says. Cards that say it already stay as they are, byte for byte. A
 * pure shift changes CRPIXi alone, so distortion terms stay true; any other change takes them away.
 */
export function headerWithWcs(header: Header, wcs: Wcs | null): Header {
  const stated = wcsFromHeader(header);
  if (wcs === null) {
    if (stated === null) return header;
    return header.filter(({ keyword }) =>
      ![linearCards, polarCards, distortionCards].some((form) => form.test(keyword))
    );
  }
  if (stated !== null && same(stated, wcs)) return header;
  const pixel = (axis: 1 | 2): Card =>
    card(
      `CRPIX${axis}`,
      (axis === 1 ? wcs.referencePixel.x : wcs.referencePixel.y) + 1,
      "reference pixel, first centre 1",
    );
  if (stated !== null && same({ ...stated, referencePixel: wcs.referencePixel }, wcs)) {
    return header.map((each) => each.keyword === "CRPIX1" ? pixel(1) : each.keyword === "CRPIX2" ? pixel(2) : each);
  }
  const bare = (text: string): string => text.replace(/-SIP$/, "");
  const kept = header.filter((each) => !linearCards.test(each.keyword) && !distortionCards.test(each.keyword));
  return [
    ...kept,
    card("CTYPE1", bare(wcs.ctype[0])),
    card("CTYPE2", bare(wcs.ctype[1])),
    pixel(1),
    pixel(2),
    card("CRVAL1", wcs.referenceDegrees[0], "[deg] at the reference pixel"),
    card("CRVAL2", wcs.referenceDegrees[1], "[deg] at the reference pixel"),
    card("CUNIT1", "deg"),
    card("CUNIT2", "deg"),
    ...wcs.cd.map((each, index) => card(`CD${index < 2 ? 1 : 2}_${index % 2 + 1}`, each, "[deg/px]")),
  ];
}
