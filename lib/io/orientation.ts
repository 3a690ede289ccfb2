/**
 * Which way up a stored image is drawn; the one place that decides. FITS does not say where the first row lies.
 * Capture programs for cooled cameras write the row the sensor delivers first, and state it in ROWORDER (common
 * practice, no source): `TOP-DOWN` and a missing card mean that the first stored row is the top of the picture,
 * `BOTTOM-UP` that it is the bottom. A picture drawn the wrong way round is mirrored.
 */
import { cardText, type Header } from "../core/header.ts";

/** Whether the first stored row is the top of the picture. */
export const firstRowOnTop = (header: Header): boolean => cardText(header, "ROWORDER")?.toUpperCase() !== "BOTTOM-UP";
