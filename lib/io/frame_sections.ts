/** Sections that a header names: which part of a frame is picture, and which was read without light. */
import type { FrameSections } from "../core/frame_record.ts";
import type { Region } from "../core/geometry.ts";
import { cardNumber, cardText, type Header } from "../core/header.ts";

/** Cards of the picture's part, the surest first (common practice, no source). */
const pictureKeywords = ["TRIMSEC", "TRIM01", "DATASEC"];
/** Cards of the overscan, the surest first (common practice, no source). */
const overscanKeywords = ["BIASSEC", "BIAS01"];
/** Cards that go when a frame has been trimmed, for they speak of the frame before. */
export const sectionKeywords: readonly string[] = [...pictureKeywords, ...overscanKeywords];

/** `[x1:x2,y1:y2]`, pixels counted from 1, both ends included; null when it is none or leaves the frame. */
function regionOf(text: string | null, width: number, height: number): Region | null {
  const parts = /^\[\s*(\d+)\s*:\s*(\d+)\s*,\s*(\d+)\s*:\s*(\d+)\s*\]$/.exec(text ?? "");
  if (parts === null) return null;
  const [x1, x2, y1, y2] = parts.slice(1).map(Number);
  const x = Math.min(x1, x2) - 1;
  const y = Math.min(y1, y2) - 1;
  const region = { x, y, width: Math.abs(x2 - x1) + 1, height: Math.abs(y2 - y1) + 1 };
  const isInside = x >= 0 && y >= 0 && x + region.width <= width && y + region.height <= height;
  return isInside ? region : null;
}

function firstRegion(header: Header, keywords: readonly string[], width: number, height: number): Region | null {
  for (const keyword of keywords) {
    const region = regionOf(cardText(header, keyword), width, height);
    if (region !== null) return region;
  }
  return null;
}

/** Whether the overscan lies left or right of the picture and has a level for each of its rows. */
function isBeside(overscan: Region, picture: Region): boolean {
  const covers = overscan.y <= picture.y && overscan.y + overscan.height >= picture.y + picture.height;
  const apart = overscan.x + overscan.width <= picture.x || overscan.x >= picture.x + picture.width;
  return covers && apart;
}

/**
 * Picture and overscan that a header names; null where it names none, or nothing is to be taken off. A section that
 * leaves the frame is passed over: a frame that was trimmed before keeps the cards of the frame it was. With several
 * amplifiers, or an overscan that is not beside the picture, the frame is trimmed and no level taken off.
 */
export function sectionsOf(header: Header): FrameSections | null {
  const width = cardNumber(header, "NAXIS1") ?? 0;
  const height = cardNumber(header, "NAXIS2") ?? 0;
  if (cardNumber(header, "NAXIS") !== 2) return null;
  const picture = firstRegion(header, pictureKeywords, width, height);
  if (picture === null || (picture.width === width && picture.height === height)) return null;
  const overscan = firstRegion(header, overscanKeywords, width, height);
  const isSplit = (cardNumber(header, "NUMAMP", "NAMPS") ?? 1) > 1 || cardText(header, "BIAS02") !== null;
  return { picture, overscan: overscan !== null && !isSplit && isBeside(overscan, picture) ? overscan : null };
}
