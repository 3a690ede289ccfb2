/** Cards of our own that keep what FITS has no keyword for: channel names, unit, geometry, the record of steps. */
import { type BayerPattern, type Geometry, plainGeometry } from "../core/geometry.ts";
import {
  type Card,
  card,
  cardNumber,
  cardText,
  cardValue,
  type Header,
  withCards,
  withoutCards,
} from "../core/header.ts";
import { type History, historyId, type HistoryNode } from "../core/history.ts";
import type { Image, Unit } from "../core/image.ts";
import { canonicalJson } from "../core/options.ts";
import { parseJson } from "./bounded_json.ts";
import { bayerCardText, bayerFromHeader, describeFrame } from "./describe_frame.ts";
import { headerWithWcs, wcsFromHeader } from "./wcs_cards.ts";

/** Keyword of the record of steps: one long string of JSON. */
export const RECORD = "FLRECORD";

/** Names of the planes of an image with this header. */
export function channelsOf(header: Header, planes: number, bayer: BayerPattern | null, filter: string): string[] {
  const usual = planes === 1
    ? [bayer !== null ? "mosaic" : filter === "" ? "L" : filter]
    : planes === 3
    ? ["R", "G", "B"]
    : Array.from({ length: planes }, (_, index) => `plane${index + 1}`);
  return usual.map((name, index) => cardText(header, `PLANE${index + 1}`) ?? name);
}

/** Unit that BUNIT names; ADU when it is silent or names another. */
export function unitOf(header: Header): Unit {
  const stated = (cardText(header, "BUNIT") ?? "").toLowerCase().replace(/\s/g, "");
  if (/^(electrons?|e-?)$/.test(stated)) return "electron";
  if (/^(electrons?|e-?)(\/s(ec)?|\.?s-1|\.?s\*\*-1|\.?s\^-1)$/.test(stated)) return "electron/s";
  return stated === "display" || stated === "ratio" ? stated : "adu";
}

/** Where the image lies, from its cards. */
export function geometryOf(header: Header, bayer: BayerPattern | null): Geometry {
  return {
    origin: { x: cardNumber(header, "FLORIGX") ?? 0, y: cardNumber(header, "FLORIGY") ?? 0 },
    scale: cardNumber(header, "FLSCALE") ?? 1,
    arcsecPerPixel: describeFrame(header).arcsecPerPixel,
    wcs: wcsFromHeader(header),
    bayer,
  };
}

const near = (a: number, b: number): boolean => Math.abs(a - b) <= 1e-12 * Math.max(Math.abs(a), Math.abs(b));

function headerWithBayer(header: Header, bayer: BayerPattern | null, height: number): Header {
  const names = ["BAYERPAT", "BAYERPATTERN", "BAYPAT", "CFAPAT", "CFA_PAT", "COLORTYP", "XBAYROFF", "YBAYROFF"];
  const stated = bayerFromHeader(header);
  if (stated === bayer) return header;
  const patternInFilter = /^(RGGB|BGGR|GRBG|GBRG)$/.test(cardText(header, "FILTER") ?? "");
  const without = withoutCards(header, patternInFilter ? [...names, "FILTER"] : names);
  if (bayer === null) return without;
  return withCards(without, [card("BAYERPAT", bayerCardText(without, bayer, height), "colours from the first pixel")]);
}

/**
 * The header with cards that say what the image says of itself: unit, channel names, geometry, mosaic. Cards that say
 * so already stay as they are.
 */
export function headerOfImage(image: Image, structure: Header): Header {
  const { geometry, planes, unit } = image;
  const names = /^(PLANE\d+|FLORIGX|FLORIGY|FLSCALE|FLRECORD|FLPART)$/;
  let header: Header = image.header.filter((each) => !names.test(each.keyword));
  // the dialects are read with the size that is written, not with the one the image once had
  const seen = (): Header =>
    withCards(structure, header.filter((each) => cardValue(structure, each.keyword) === undefined));
  header = headerWithWcs(header, geometry.wcs);
  const withPattern = headerWithBayer(seen(), geometry.bayer, image.height);
  header = header.filter((each) => withPattern.includes(each));
  header = [...header, ...withPattern.filter((each) => each.keyword === "BAYERPAT" && !header.includes(each))];
  if (unitOf(header) !== unit) {
    header = unit === "adu"
      ? withoutCards(header, ["BUNIT"])
      : withCards(header, [card("BUNIT", unit, "what a sample counts")]);
  }
  const added: Card[] = [];
  const usual = channelsOf(header, planes.length, geometry.bayer, describeFrame(header).filter);
  planes.forEach(({ channel }, index) => {
    if (channel !== usual[index]) added.push(card(`PLANE${index + 1}`, channel, "channel of the plane"));
  });
  if (geometry.arcsecPerPixel !== null) {
    const stated = describeFrame(seen()).arcsecPerPixel;
    if (stated === null || !near(stated, geometry.arcsecPerPixel)) {
      header = withCards(header, [card("PIXSCALE", geometry.arcsecPerPixel, "[arcsec/px]")]);
    }
  }
  if (geometry.origin.x !== plainGeometry.origin.x || geometry.origin.y !== plainGeometry.origin.y) {
    added.push(
      card("FLORIGX", geometry.origin.x, "[px] first pixel in the frame it came from"),
      card("FLORIGY", geometry.origin.y, "[px]"),
    );
  }
  if (geometry.scale !== plainGeometry.scale) {
    added.push(card("FLSCALE", geometry.scale, "pixels of that frame per pixel"));
  }
  return [...header, ...added];
}

/** The card that keeps a history. */
export function recordCard(history: History): Card {
  return card(RECORD, canonicalJson({ head: history.head, nodes: history.nodes }));
}

const isNode = (value: unknown): value is HistoryNode => {
  if (typeof value !== "object" || value === null) return false;
  const { id, step, options, inputs, output, notes } = value as Record<string, unknown>;
  const texts = (list: unknown) => Array.isArray(list) && list.every((each) => typeof each === "string");
  return typeof id === "string" && typeof step === "string" && typeof options === "object" && options !== null &&
    texts(inputs) && typeof output === "string" && texts(notes);
};

/** History kept in a header: `null` without one; a sentence when the card cannot be trusted. */
export function historyOf(header: Header): History | null | string {
  const text = cardValue(header, RECORD);
  if (typeof text !== "string") return null;
  let found: unknown;
  try {
    found = parseJson(text, RECORD);
  } catch {
    return `card ${RECORD} is damaged (no JSON); the history in it is lost`;
  }
  const { head, nodes } = (found ?? {}) as { head?: unknown; nodes?: unknown };
  if (!Array.isArray(nodes) || !nodes.every(isNode)) return `card ${RECORD} holds no history; it is left out`;
  const known = new Set<string>();
  for (const node of nodes) {
    const { id, step, inputs } = node;
    if (historyId(node) !== id || !inputs.every((each) => known.has(each))) {
      return `card ${RECORD} was changed after it was written (step ${step}); the history in it is left out`;
    }
    known.add(id);
  }
  if (typeof head !== "string" || !known.has(head)) return `card ${RECORD} names no last step; it is left out`;
  return { head, nodes };
}
