/** An effect as it shows itself: the ledger, and what to check. */
import type { Effect } from "../effect/measure_effect.ts";
import { effectLines } from "./effect_lines.ts";
import { factColumn } from "./fact_column.ts";
import { composeSheet, heading, sheetMargin } from "./layout.ts";
import { themes } from "./palette.ts";
import type { Sheet } from "./sheet.ts";
import { capital } from "./text.ts";

const sheetWidth = 620;

/** What a step did, as a table of quantities before and after, with its doubts. */
export function effectView(effect: Effect): Sheet {
  const theme = themes.light;
  const { lines, doubts } = effectLines(effect);
  const title = "What it did";
  const head = heading(title, "", sheetWidth, theme);
  const place = { x: sheetMargin, y: head.bottom, width: sheetWidth - 2 * sheetMargin };
  const facts = factColumn(lines, doubts, place, theme);
  const changes = lines.map((line) => `${line.quantity} ${line.before} to ${line.after}`);
  const words = [`${title}: ${changes.join(", ")}`, ...doubts].map((each) => `${capital(each.replace(/\.$/, ""))}.`);
  const elements = [...head.elements, ...facts.elements];
  return composeSheet(sheetWidth, facts.bottom + sheetMargin / 2, theme, words.join(" "), elements);
}
