/** Two images in one place: a wipe between them, or one after the other. */
import { type Image, requireImage, requireSameSize } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { encodeJpeg } from "../io/jpeg.ts";
import { beforeAfterSheet } from "./before_after_sheet.ts";
import {
  commonStretch,
  type DisplayStretch,
  drawPreview,
  fitDisplayStretch,
  fitLinearDisplay,
  makePreview,
  type Preview,
  wholeRegion,
} from "./preview.ts";
import { dataAddress, type Sheet } from "./sheet.ts";
import type { InteractiveView } from "./show.ts";
import { escapeText } from "./text.ts";
import type { ViewOptions } from "./view_options.ts";

/** Options of {@linkcode compareView}. */
export interface CompareViewOptions extends Omit<ViewOptions, "theme"> {
  /** Widest the pictures may be, pixels. */
  readonly width: number;
  /** What readers without scripts see; `null` makes a plain before/after sheet. */
  readonly sheet: Sheet | null;
}

/** What {@linkcode compareView} uses for an option left out. */
export const compareViewDefaults: CompareViewOptions = Object.freeze({
  title: "Before and after",
  region: null,
  channel: "automatic",
  stretch: "automatic",
  width: 880,
  sheet: null,
});

const page = (title: string, before: string, after: string, width: number, height: number): string =>
  `<!DOCTYPE html><meta charset="utf-8"><title>${escapeText(title)}</title><style>
body{margin:0;font:15px system-ui,sans-serif;background:#fff;color:#1b2129}
@media (prefers-color-scheme:dark){body{background:#12161c;color:#e8ecf1}}
#box{position:relative;width:100%;max-width:${width}px;aspect-ratio:${width}/${height};touch-action:none;cursor:ew-resize;overflow:hidden}
#box img{position:absolute;inset:0;width:100%;height:100%;user-select:none;-webkit-user-drag:none}
#line{position:absolute;top:0;bottom:0;width:2px;margin-left:-1px;background:#f2c43f;pointer-events:none}
.tag{position:absolute;top:8px;padding:1px 8px;background:#000a;color:#fff;border-radius:3px;pointer-events:none}
form{display:flex;gap:.8em;align-items:center;padding:.5em 0;max-width:${width}px}input{flex:1}button{white-space:nowrap}
</style><div id="box"><img src="${after}" alt="after"><img id="top" src="${before}" alt="before"><div id="line"></div>
<span class="tag" style="left:8px">before</span><span class="tag" style="right:8px">after</span></div>
<form><label for="at">wipe</label><input id="at" type="range" min="0" max="100" step="0.5" value="50"><button id="swap" type="button">hold to see after</button></form>
<script>
const box=document.getElementById("box"),top_=document.getElementById("top"),line=document.getElementById("line"),at=document.getElementById("at"),swap=document.getElementById("swap");
const set=(p)=>{top_.style.clipPath="inset(0 "+(100-p)+"% 0 0)";line.style.left=p+"%"};
at.oninput=()=>set(+at.value);
const drag=(e)=>{if(e.buttons||e.type==="pointerdown"){const r=box.getBoundingClientRect();at.value=100*Math.max(0,Math.min(1,(e.clientX-r.left)/r.width));set(+at.value)}};
box.onpointerdown=drag;box.onpointermove=drag;
const held=(on)=>{set(on?0:100);line.style.display=on?"none":"";if(!on)set(+at.value)};
swap.onpointerdown=()=>held(true);swap.onpointerup=swap.onpointerleave=()=>held(false);
set(50);
</script>`;

/** Bytes of one picture at most, so that both fit one output. */
const maximumBytes = 330_000;

/** A preview as the address of a JPEG, coarser where it would be too large. */
function jpegAddress(preview: Preview, stretch: DisplayStretch): string {
  const { width, height } = preview;
  const source = { width, height, channels: 3 as const, samples: drawPreview(preview, stretch) };
  let quality = 90;
  let bytes = encodeJpeg(source, { quality });
  while (bytes.length > maximumBytes && quality > 40) {
    quality -= 12;
    bytes = encodeJpeg(source, { quality });
  }
  return dataAddress({ bytes, type: "image/jpeg" });
}

/**
 * Two images of one size in one place with a wipe and a button that shows the second whole; the before/after sheet
 * stands in for readers without scripts. Both have the same display stretch, as on the sheet.
 *
 * @throws {RangeError} if the sizes differ
 * @throws {TypeError} if the channel is missing in either
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { compareView, constantImage } from "faintlight";
 *
 * const view = compareView(constantImage(40, 30, 5), constantImage(40, 30, 6));
 * assert.match(view.html, /id="at" type="range"/);
 * ```
 */
export function compareView(before: Image, after: Image, options: Partial<CompareViewOptions> = {}): InteractiveView {
  requireImage("compareView", before, "before");
  requireImage("compareView", after, "after");
  const used = settle("compareView", compareViewDefaults, options);
  requireSameSize("compareView", before, after);
  const box = { width: used.width, height: used.width };
  const [one, two] = [before, after].map((image) =>
    makePreview(image, box, used.region ?? wholeRegion(image), used.channel)
  );
  const stretches = before.unit === after.unit
    ? commonStretch(one, two, used.stretch)
    : [fitLinearDisplay(one), fitDisplayStretch(two)] as const;
  const addresses = [one, two].map((preview, at) => jpegAddress(preview, stretches[at]));
  const sheet = used.sheet ?? beforeAfterSheet(before, after, {
    title: used.title,
    channel: used.channel,
    stretch: used.stretch,
    ...(used.region === null ? {} : { detailRegion: used.region }),
  });
  // a small part is shown enlarged
  const scale = used.width / Math.max(one.width, one.height);
  const width = Math.round(one.width * scale);
  const height = Math.round(one.height * scale);
  return { sheet, html: page(used.title, addresses[0], addresses[1], width, height), height: height + 60 };
}
