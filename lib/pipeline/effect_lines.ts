/** The ledger of a step as lines for a sheet and a page. */
import type { Effect } from "../effect/measure_effect.ts";
import type { ReportLedgerLine } from "../view/report.ts";
import { formatNumber, formatShare } from "../view/text.ts";

function line(quantity: string, before: number, after: number, unit: string): ReportLedgerLine | null {
  if (!Number.isFinite(before) || !Number.isFinite(after)) return null;
  const change = before !== 0 && Math.abs(after / before - 1) < 10 ? after / before - 1 : NaN;
  const sign = change > 0 ? "+" : "";
  return {
    quantity,
    before: `${formatNumber(before)}${unit}`,
    after: `${formatNumber(after)}${unit}`,
    change: Number.isFinite(change) && Math.abs(change) >= 0.0005 ? `${sign}${(100 * change).toFixed(1)} %` : "",
  };
}

/** Lines and doubts of an effect. */
export function effectLines(
  effect: Effect,
): { readonly lines: ReportLedgerLine[]; readonly doubts: readonly string[] } {
  const { before, after, doubts } = effect;
  const lines = [
    line("sky", before.sky[0], after.sky[0], ""),
    line("noise of the sky", before.noise[0], after.noise[0], ""),
    line("unevenness of the sky", before.unevenness, after.unevenness, ""),
    line("light above the sky", before.light, after.light, ""),
    line("stars", before.stars, after.stars, ""),
    line("star FWHM", before.fwhmPixels, after.fwhmPixels, " px"),
    ...after.clipped.map(({ channel, atBlack, atWhite }): ReportLedgerLine => ({
      quantity: `${channel} at black · at white`,
      before: "",
      after: `${formatShare(atBlack)} · ${formatShare(atWhite)}`,
      change: "",
    })),
  ];
  return { lines: lines.filter((each) => each !== null), doubts };
}
