/** The ledger of a step as lines for a sheet and a page. */
import type { Change } from "../effect/change.ts";
import type { Effect } from "../effect/measure_effect.ts";
import type { ReportLedgerLine } from "./report.ts";
import { formatNumber, formatShare } from "./text.ts";

type Format = (value: number) => string;

function changeText(before: number | null, after: number | null): string {
  if (before === null || after === null || before === 0) return "";
  const change = after / before - 1;
  if (!Number.isFinite(change) || Math.abs(change) < 0.0005) return "";
  return Math.abs(change) >= 10
    ? `× ${formatNumber(change + 1)}`
    : `${change > 0 ? "+" : "−"}${(100 * Math.abs(change)).toFixed(Math.abs(change) < 0.9995 ? 1 : 0)} %`;
}

const text = (value: number | null, format: Format): string =>
  value === null || !Number.isFinite(value) ? "–" : format(value);

function line(
  quantity: string,
  { before, after }: Change,
  format: Format,
  comparable = true,
): ReportLedgerLine | null {
  if (before === null && after === null) return null;
  const change = comparable ? changeText(before, after) : "";
  return { quantity, before: text(before, format), after: text(after, format), change };
}

const known = (value: number | null): boolean => value !== null && Number.isFinite(value);

/** A line for a ratio of after to before; none where it could not be measured. */
function ratio(quantity: string, value: number | null): ReportLedgerLine | null {
  if (value === null || !Number.isFinite(value)) return null;
  return { quantity, before: "1", after: formatNumber(value), change: changeText(1, value) };
}

/**
 * Lines and doubts of an effect.
 *
 * @param starless whether the image holds no stars: then nothing is said of them
 */
export function effectLines(
  effect: Effect,
  starless = false,
): { readonly lines: readonly ReportLedgerLine[]; readonly doubts: readonly string[] } {
  const { noise, stars, flatness, nebula, clipped, hueDegrees, colourFactor, doubts } = effect;
  const number: Format = (value) => formatNumber(value);
  const count: Format = (value) => String(Math.round(value));
  // a stretch changes the unit: levels before and after are no longer of one kind
  const oneUnit = known(clipped.black.before) === known(clipped.black.after);
  const lines = [
    ...noise.filter(({ pixels }) => pixels === 1 || pixels === 4 || pixels === 16)
      .map((each) => line(`noise at ${each.pixels} px`, each, number, oneUnit)),
    ...(starless ? [] : [
      line("stars", stars.count, count),
      line("star FWHM (px)", stars.fwhm, number),
      ratio("flux of the stars", stars.flux),
      line("dark rings (sigma)", stars.ring, number),
    ]),
    line("sky range (sigma)", flatness, number, oneUnit),
    ratio("flux of the nebula", nebula.flux),
    ratio("colour of the nebula", colourFactor),
    line("at black", clipped.black, formatShare),
    line("at white", clipped.white, formatShare),
    hueDegrees === null
      ? null
      : { quantity: "hue of the nebula", before: "", after: `${formatNumber(hueDegrees)}°`, change: "" },
  ];
  return { lines: lines.filter((each) => each !== null), doubts };
}
