/** A night's page: one file that opens anywhere, prints, and needs no network and no script. */
import { nightTimeline } from "./night_timeline.ts";
import type { NightReport, ReportFrame, ReportStack, ReportStep } from "./report.ts";
import { dataAddress, type EncodedPicture, encodeSheet, type Sheet } from "./sheet.ts";
import { capital, escapeText, formatDuration, formatNumber, formatShare, tickText } from "./text.ts";
import { channelLabel } from "./palette.ts";
import { reportStyle } from "./report_style.ts";

/** Frames shown one by one, those that are not simply good before all others; `frames.csv` has them all. */
const maximumFrames = 1500;

const t = escapeText;
const list = (items: readonly string[]) => items.map((item) => `<li>${t(item)}</li>`).join("");
const number = (value: number | null, digits = 3) => t(formatNumber(value, digits));
const when = (dateUtc: string | null) => dateUtc === null ? "–" : dateUtc.slice(11, 16);

/** A picture as an element; sheets are turned into JPEGs, which keep a page of a dozen steps at a few megabytes. */
function figure(shown: Sheet | EncodedPicture, caption: string, kind = ""): string {
  const encoded = "svg" in shown ? encodeSheet(shown, { format: "jpeg", quality: 84 }) : shown;
  const words = caption === "" ? "" : `<figcaption>${t(caption)}</figcaption>`;
  return `<figure${kind === "" ? "" : ` class="${kind}"`}><img src="${
    dataAddress(encoded)
  }" width="${encoded.width}" ` +
    `height="${encoded.height}" alt="${t(encoded.alternativeText)}">${words}</figure>`;
}

/** A table from headings and rows of ready-made cells; columns named in `right` hold numbers. */
function table(
  headings: readonly string[],
  rows: readonly (readonly string[])[],
  right: readonly string[] = [],
): string {
  const kind = headings.map((name) => right.includes(name) ? ' class="n"' : "");
  const head = headings.map((name, at) => `<th scope="col"${kind[at]}>${t(name)}</th>`).join("");
  const body = rows.map((row) => `<tr>${row.map((cell, at) => `<td${kind[at]}>${cell}</td>`).join("")}</tr>`).join(
    "\n",
  );
  return `<div class="wide"><table><thead><tr>${head}</tr></thead><tbody>\n${body}</tbody></table></div>`;
}

/** The timeline as vector drawing in both themes; the page's style shows the one that suits. */
function timeline(frames: readonly ReportFrame[]): string {
  if (frames.length === 0) return "";
  const drawn = (theme: "light" | "dark") => {
    const sheet = nightTimeline(frames, { title: "", theme });
    const address = `data:image/svg+xml;base64,${btoa(String.fromCharCode(...new TextEncoder().encode(sheet.svg)))}`;
    return { sheet, address };
  };
  // drawings of many frames are too long for an argument list, and a picture is smaller than a thousand marks
  if (frames.length > 150) return figure(nightTimeline(frames, { title: "" }), "");
  const light = drawn("light");
  const dark = drawn("dark");
  return `<figure><picture><source media="(prefers-color-scheme: dark)" srcset="${dark.address}">` +
    `<img src="${light.address}" width="${light.sheet.width}" height="${light.sheet.height}" alt="${
      t(light.sheet.alternativeText)
    }"></picture></figure>`;
}

const verdictClass = (verdict: string) => verdict === "keep" ? "keep" : verdict === "down-weight" ? "down" : "reject";
const verdictSign = (verdict: string) => verdict === "keep" ? "●" : verdict === "down-weight" ? "▲" : "✕";
const verdictCell = (verdict: string) =>
  `<span class="one"><span class="${verdictClass(verdict)}">${verdictSign(verdict)}</span> ${t(verdict)}</span>`;
const filterCell = (filter: string) => `<span class="one">${t(channelLabel(filter))}</span>`;

/** Causes with how many frames they took, their remedy, and one frame's numbers as evidence. */
function causeTable(frames: readonly ReportFrame[]): string {
  const groups = new Map<string, ReportFrame[]>();
  for (const frame of frames) {
    const key = `${frame.verdict}\n${frame.cause}`;
    const group = groups.get(key);
    if (group === undefined) groups.set(key, [frame]);
    else group.push(frame);
  }
  const order = ["keep", "down-weight", "reject", "unreadable"];
  const rows = [...groups.values()].sort((a, b) =>
    order.indexOf(a[0].verdict) - order.indexOf(b[0].verdict) || b.length - a.length
  ).map((group) => {
    const first = group[0];
    const exposure = group.reduce((sum, frame) => sum + (frame.exposureSeconds ?? 0), 0);
    return [
      verdictCell(first.verdict),
      t(first.cause === "" ? "–" : first.cause),
      String(group.length),
      t(formatDuration(exposure)),
      t(first.evidence),
      t(first.remedy),
    ];
  });
  return table(["verdict", "cause", "frames", "exposure", "evidence (first frame)", "next time"], rows, [
    "frames",
    "exposure",
  ]);
}

/**
 * Of a very long night the frames that are not simply good, and as many others as there is room for, in their order.
 */
function framesToList(frames: readonly ReportFrame[]): readonly ReportFrame[] {
  let room = Math.max(0, maximumFrames - frames.filter((frame) => frame.verdict !== "keep").length);
  return frames.filter((frame) => frame.verdict !== "keep" || room-- > 0);
}

/** Every frame as a small picture with its verdict. */
function frameGrid(frames: readonly ReportFrame[]): string {
  const pictured = frames.filter((frame) => frame.thumbnail !== null);
  if (pictured.length === 0) return "";
  const shown = framesToList(pictured);
  const rest = pictured.length > shown.length ? `<p>${shown.length} of ${pictured.length} frames.</p>` : "";
  const cells = shown.map((frame) => {
    const { thumbnail, verdict, cause, file, fwhmPixels, stars } = frame;
    if (thumbnail === null) return "";
    const name = file.split("/").at(-1) ?? file;
    const numbers = fwhmPixels === null ? "" : `FWHM ${formatNumber(fwhmPixels, 3)} px, ${stars ?? "–"} stars`;
    return `<figure class="${verdictClass(verdict)}"><img loading="lazy" src="${
      dataAddress(thumbnail)
    }" width="${thumbnail.width}" ` +
      `height="${thumbnail.height}" alt=""><figcaption><b>${verdictSign(verdict)} ${
        t(cause === "" ? verdict : cause)
      }</b><br>${t(name)}<br>${t(numbers)}</figcaption></figure>`;
  });
  const small = shown.every(({ thumbnail }) => thumbnail === null || thumbnail.width < 200) ? " small" : "";
  return `${rest}<div class="grid${small}">${cells.join("")}</div>`;
}

/** Sheets of the night under their headings. */
function nightSheets(sheets: NonNullable<NightReport["nightSheets"]>): string {
  const titles = [...new Set(sheets.map((each) => each.title))];
  return titles.map((title) => {
    const own = sheets.filter((each) => each.title === title);
    const body = own.map(({ sheet }) => figure(sheet, "")).join("");
    return `<h3>${t(title)}</h3>${own.length > 1 ? `<div class="row">${body}</div>` : body}`;
  }).join("");
}

function frameTable(frames: readonly ReportFrame[]): string {
  const headings = [
    "file",
    "filter",
    "UTC",
    "stars",
    "FWHM (px)",
    "FWHM (″)",
    "eccentricity",
    "background (ADU)",
    "transparency",
    "weight",
    "verdict",
    "cause",
    "evidence",
  ];
  const shown = framesToList(frames);
  const rows = shown.map((frame) => [
    `<span class="file">${t(frame.file)}</span>`,
    filterCell(frame.filter),
    when(frame.dateUtc),
    frame.stars === null ? "–" : String(frame.stars),
    number(frame.fwhmPixels),
    number(frame.fwhmArcsec),
    number(frame.eccentricity, 2),
    number(frame.backgroundAdu, 4),
    number(frame.transparency, 2),
    number(frame.weight, 2),
    verdictCell(frame.verdict),
    t(frame.cause),
    t(frame.evidence),
  ]);
  const numeric = [
    "UTC",
    "stars",
    "FWHM (px)",
    "FWHM (″)",
    "eccentricity",
    "background (ADU)",
    "transparency",
    "weight",
  ];
  const rest = frames.length > shown.length
    ? `<p>${shown.length} of ${frames.length} frames; <code>frames.csv</code> has all.</p>`
    : "";
  return rest + table(headings, rows, numeric);
}

/** Measured against promised noise, in a sentence that says whether the stack is as deep as its frames allow. */
function noiseSentence(stack: ReportStack): string {
  const { frameNoise, expectedNoise, measuredNoise, unit, frames } = stack;
  if (expectedNoise === null || measuredNoise === null) return "";
  const ratio = measuredNoise / expectedNoise;
  const judged = ratio <= 1.1
    ? "as deep as its frames allow"
    : ratio <= 1.3
    ? "a little noisier than its frames promise"
    : "clearly noisier than its frames promise; look for what does not average out (pattern noise, local gradients)";
  const from = frameNoise === null ? "" : `One frame has a noise of ${formatNumber(frameNoise, 3)} ${unit}. `;
  return `${from}${frames} frames with their weights promise ${formatNumber(expectedNoise, 3)} ${unit}; measured are ${
    formatNumber(measuredNoise, 3)
  } ${unit}, ${formatNumber(ratio, 3)} times that: ${judged}.`;
}

function stackSection(stack: ReportStack): string {
  const facts: (readonly [string, string])[] = [
    ["frames", String(stack.frames)],
    ["exposure in all", formatDuration(stack.totalExposureSeconds)],
    ["grid of", stack.reference],
    ["samples rejected, dimmer", formatShare(stack.rejectedDimmer)],
    ["samples rejected, brighter", formatShare(stack.rejectedBrighter)],
    ["star FWHM", stack.fwhmPixels === null ? "–" : `${formatNumber(stack.fwhmPixels, 3)} px`],
  ];
  const sentence = noiseSentence(stack);
  return `<section><h3>${t(channelLabel(stack.name))}</h3>${definitions(facts)}${
    sentence === "" ? "" : `<p>${t(sentence)}</p>`
  }` +
    `${stack.notes.length === 0 ? "" : `<ul>${list(stack.notes)}</ul>`}` +
    `<div class="row">${stack.sheets.map((sheet) => figure(sheet, "")).join("")}</div></section>`;
}

const definitions = (facts: readonly (readonly [string, string])[]) =>
  `<dl>${facts.map(([label, value]) => `<div><dt>${t(label)}</dt><dd>${t(value)}</dd></div>`).join("")}</dl>`;

function stepSection(step: ReportStep, at: number): string {
  const channel = step.channel === "" ? "" : ` <small>${t(channelLabel(step.channel))}</small>`;
  const options = step.options.length === 0
    ? ""
    : `<p class="call"><code>${t(step.step)}</code> ${
      step.options.map(([name, value]) => `${t(name)} = ${t(value)}`).join("; ")
    }</p>`;
  const ledger = step.ledger.length === 0 ? "" : table(
    ["quantity", "before", "after", "change"],
    step.ledger.map((line) => [line.quantity, line.before, line.after, line.change].map(t)),
    ["before", "after", "change"],
  );
  const doubts = step.doubts.length === 0
    ? ""
    : `<p><strong>Please check</strong></p><ul class="doubts">${list(step.doubts)}</ul>`;
  return `<section id="step-${at + 1}"><h3>${at + 1}. ${t(step.title)}${channel}</h3>${options}` +
    `${step.sheet === null ? "" : figure(step.sheet, "")}${ledger}${doubts}</section>`;
}

/** A section of the page. */
interface Section {
  readonly id: string;
  readonly title: string;
  readonly body: string;
}

/** Rigs, the night in time, causes, frames one by one. */
function nightBody({ frames, rigs, nightSheets: sheets }: NightReport): string {
  const facts = rigs.map((rig) => `<h3>${t(rig.name)}</h3>${definitions(rig.facts)}`).join("");
  if (frames.length === 0) return facts;
  return facts + timeline(frames) +
    `<h3>Causes and remedies</h3>${causeTable(frames)}` +
    nightSheets(sheets ?? []) +
    `<h3>Every frame</h3>${frameGrid(frames)}` +
    `<details><summary>All numbers (${frames.length} frames)</summary>${frameTable(frames)}</details>`;
}

/** Files up to which the calibration table is open. */
const maximumOpenRows = 30;

/** Remarks on the calibration and its files. */
function calibrationBody({ calibration, calibrationNotes }: NightReport): string {
  const rows = calibration.map((row) => [
    `<span class="file">${t(row.file)}</span>`,
    t(row.kind),
    filterCell(row.filter),
    row.exposureSeconds === null ? "–" : tickText(row.exposureSeconds),
    row.temperatureC === null ? "–" : row.temperatureC.toFixed(1).replace("-", "−"),
    row.used ? "yes" : '<span class="reject">✕</span> no',
    t(row.reason),
  ]);
  const headings = ["file", "kind", "filter", "exposure (s)", "temperature (°C)", "used", "reason"];
  const used = calibration.filter((row) => row.used).length;
  const open = calibration.length <= maximumOpenRows ? " open" : "";
  return (calibrationNotes.length === 0 ? "" : `<ul>${list(calibrationNotes)}</ul>`) +
    `<details${open}><summary>${calibration.length} files, ${used} used</summary>` +
    `${table(headings, rows, ["exposure (s)", "temperature (°C)"])}</details>`;
}

/** The sections of a report that have something to say. */
function sectionsOf(report: NightReport): Section[] {
  const { frames, rigs, calibration, calibrationNotes, stacks, steps, files, summary } = report;
  const fileRows = files.map(([file, meaning]) => [`<code>${t(file)}</code>`, t(meaning)]);
  const sections: (Section & { readonly wanted: boolean })[] = [
    {
      id: "findings",
      title: "Findings",
      body: `<ul class="findings">${list(summary)}</ul>`,
      wanted: summary.length > 0,
    },
    { id: "night", title: "The night", body: nightBody(report), wanted: frames.length > 0 || rigs.length > 0 },
    {
      id: "calibration",
      title: "Calibration",
      body: calibrationBody(report),
      wanted: calibration.length > 0 || calibrationNotes.length > 0,
    },
    { id: "stacks", title: "Stacks", body: stacks.map(stackSection).join(""), wanted: stacks.length > 0 },
    { id: "steps", title: "Steps", body: steps.map(stepSection).join(""), wanted: steps.length > 0 },
    { id: "files", title: "Files", body: table(["file", "what it holds"], fileRows), wanted: files.length > 0 },
  ];
  return sections.filter(({ wanted }) => wanted);
}

/**
 * A night as one self-contained page: findings, the night in time with causes and remedies, calibration, stacks with
 * their noise against what the frames promise, every step with its before and after, the picture. Pictures are data
 * addresses; light and dark follow the reader's setting; it prints.
 *
 * @param report the night as plain data
 * @returns HTML text
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { reportHtml } from "faintlight/view";
 *
 * const page = reportHtml({
 *   object: "Lantern <Nebula>",
 *   night: "night of 2026-10-03",
 *   summary: ["All 12 frames were kept."],
 *   rigs: [],
 *   frames: [],
 *   calibration: [],
 *   calibrationNotes: [],
 *   stacks: [],
 *   steps: [],
 *   picture: null,
 *   files: [],
 *   madeWith: "Faintlight",
 * });
 * assert.match(page, /<h1>Lantern &#60;Nebula&#62;<\/h1>/);
 * ```
 */
export function reportHtml(report: NightReport): string {
  const { object, night, picture, madeWith } = report;
  const sections = sectionsOf(report);
  const links = sections.map(({ id, title }) => `<a href="#${id}">${t(title)}</a>`).join("");
  const main = sections.map(({ id, title, body }) => `<section id="${id}"><h2>${t(title)}</h2>${body}</section>`)
    .join("\n");
  const hero = picture === null ? "" : figure(picture, "", "hero");
  return `<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width,initial-scale=1">
<title>${t(object)}, ${t(night)}</title>
<style>${reportStyle}</style>
</head>
<body>
<header><h1>${t(object)}</h1><p class="quiet">${t(capital(night))}</p></header>
${hero}
<nav>${links}</nav>
<main>
${main}
</main>
<footer>${t(madeWith)}</footer>
</body>
</html>
`;
}
