/** A list of stars as it shows itself: how many, how wide, and the brightest. */
import type { StarList } from "../stars/detect_stars.ts";
import { channelLabel } from "./palette.ts";
import type { Sheet } from "./sheet.ts";
import { table } from "./table.ts";
import { formatNumber } from "./text.ts";

/** Stars listed one by one. */
const maximumListed = 12;

/** The brightest stars of a list with their measures. */
export function starTable({ stars, channel, fwhmPixels, truncated }: StarList): Sheet {
  const count = `${truncated ? "The brightest " : ""}${stars.length} stars`;
  const title = `${count}, ${channelLabel(channel)}, typical FWHM ${formatNumber(fwhmPixels)} px`;
  const rows = stars.map((star) => ({
    "x (px)": star.x,
    "y (px)": star.y,
    "flux": star.flux,
    "SNR": star.snr,
    "FWHM (px)": star.fwhmPixels,
    "eccentricity": star.eccentricity,
    "saturated": star.saturated,
  }));
  return table(rows, { title, maximumRows: maximumListed });
}
