/**
 * An image to move about in: zoom, channels one by one, the samples under the pointer. Works in the page, without the
 * kernel.
 */
import type { Region } from "../core/geometry.ts";
import { type Image, requireImage } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { imageView } from "./image_view.ts";
import { channelLabel } from "./palette.ts";
import {
  describeStretch,
  type DisplayStretch,
  fitDisplayStretch,
  fitLinearDisplay,
  makePreview,
  noDataColour,
  type Preview,
  unitLabel,
  wholeRegion,
} from "./preview.ts";
import { base64 } from "./sheet.ts";
import type { InteractiveView } from "./show.ts";
import { capital, escapeText, scriptJson } from "./text.ts";
import type { ViewOptions } from "./view_options.ts";

/** Options of {@linkcode inspectImage}. */
export interface InspectImageOptions extends Pick<ViewOptions, "title" | "region" | "stretch" | "width"> {
  /** Part to look at, stored pixels; `null` for the whole. A part no wider than `width` keeps every pixel. */
  readonly region: Region | null;
  /** Widest the copy in the page may be, pixels: beyond it a pixel of the copy is a mean. */
  readonly width: number;
}

/** What {@linkcode inspectImage} uses for an option left out. */
export const inspectImageDefaults: InspectImageOptions = Object.freeze({
  title: "Look closer",
  region: null,
  stretch: "automatic",
  width: 640,
});

/** Bytes of 16-bit samples that leave room for the page within one output. */
const maximumCopyBytes = 640_000;
/** Code of a sample without data. */
const noDataCode = 65535;

/**
 * Brightness of one sample, written so that its text runs in a page: no types inside, nothing from outside. A test
 * holds it against the curve that sheets are drawn with.
 */
export function inspectedLevel(value: number, plane: number, stretch: DisplayStretch): number {
  if (stretch.kind === "none") return value;
  const t = (value - stretch.black[Math.min(plane, stretch.black.length - 1)]) / stretch.span;
  return stretch.kind === "linear" ? t : Math.asinh(stretch.beta * t) / Math.asinh(stretch.beta);
}

/** Samples in steps of a 65 534th of their range, planes one behind the other. */
function packed(preview: Preview): { readonly codes: Uint16Array; readonly low: number; readonly step: number } {
  let low = Infinity;
  let high = -Infinity;
  for (const plane of preview.planes) {
    for (const v of plane) {
      if (v < low) low = v;
      if (v > high) high = v;
    }
  }
  if (!(high >= low)) low = high = 0;
  const step = (high - low) / (noDataCode - 1) || 1;
  const size = preview.width * preview.height;
  const codes = new Uint16Array(size * preview.planes.length);
  preview.planes.forEach((plane, p) =>
    plane.forEach((v, i) => codes[p * size + i] = v !== v ? noDataCode : Math.round((v - low) / step))
  );
  return { codes, low, step };
}

/** Runs in the page behind the settings and {@linkcode inspectedLevel}. */
const script = `
const bytes=Uint8Array.from(atob(document.getElementById("data").textContent.trim()),(c)=>c.charCodeAt(0));
const codes=new Uint16Array(bytes.buffer),n=set.width*set.height,planes=set.channels.length,$=(id)=>document.getElementById(id);
const view=$("view"),room=$("room"),ink=view.getContext("2d");view.width=set.width;view.height=set.height;
const out=ink.createImageData(set.width,set.height);
const sample=(p,i)=>{const code=codes[p*n+i];return code===${noDataCode}?NaN:set.low+set.step*code};
function draw(){
  const only=$("channel").value;
  for(let i=0;i<n;i++){
    for(let c=0;c<3;c++){
      const p=only===""?(planes===1?0:c):+only,v=inspectedLevel(sample(p,i),p,set.stretch);
      out.data[4*i+c]=v!==v?[${noDataColour}][c]:Math.max(0,Math.min(255,Math.round(255*v)));
    }
    out.data[4*i+3]=255;
  }
  ink.putImageData(out,0,0);
}
let zoom=1,fitted=true;
const fit=()=>room.clientWidth/set.width;
function enlarge(to,x,y){
  const middle=[x===undefined?room.clientWidth/2:x,y===undefined?room.clientHeight/2:y];
  const at=[(room.scrollLeft+middle[0])/zoom,(room.scrollTop+middle[1])/zoom];zoom=to;
  view.style.width=set.width*zoom+"px";view.style.imageRendering=zoom>1.4?"pixelated":"auto";
  room.scrollLeft=at[0]*zoom-middle[0];room.scrollTop=at[1]*zoom-middle[1];$("size").textContent=(zoom/set.scale).toFixed(2)+" × size";
}
for(const each of document.querySelectorAll("[data-zoom]"))each.onclick=()=>{fitted=each.dataset.zoom==="fit";enlarge(fitted?fit():+each.dataset.zoom*set.scale)};
room.onwheel=(e)=>{if(!e.ctrlKey&&!e.shiftKey)return;e.preventDefault();fitted=false;const r=room.getBoundingClientRect();enlarge(Math.max(.25,Math.min(32,zoom*Math.exp(-e.deltaY/300))),e.clientX-r.left,e.clientY-r.top)};
room.onpointerdown=(e)=>room.setPointerCapture(e.pointerId);
room.onpointermove=(e)=>{
  if(e.buttons){room.scrollLeft-=e.movementX;room.scrollTop-=e.movementY}
  const r=view.getBoundingClientRect(),x=Math.floor((e.clientX-r.left)/r.width*set.width),y=Math.floor((e.clientY-r.top)/r.height*set.height);
  if(x<0||y<0||x>=set.width||y>=set.height)return;
  const i=y*set.width+x,u=set.x+(x+.5)*set.scale-.5,w=set.y+(set.topDown?y+.5:set.height-y-.5)*set.scale-.5;
  $("pixel").textContent="x "+Math.round(u)+", y "+Math.round(w)+": "+set.channels.map((name,p)=>{const v=sample(p,i);return(planes>1?name+" ":"")+(v!==v?"no data":Number(v.toPrecision(5))+(set.unit?" "+set.unit:""))}).join(", ")+(set.scale>1?" (mean of "+set.scale.toFixed(1)+" × "+set.scale.toFixed(1)+" pixels)":"");
};
$("channel").oninput=draw;draw();
// a frame out of sight has no width yet
new ResizeObserver(()=>{if(fitted&&room.clientWidth>0)enlarge(fit())}).observe(room);
`;

/** Buttons for the sizes. */
const zoomButtons = ["fit", "1", "2", "4", "8"].map((zoom) =>
  `<button type="button" data-zoom="${zoom}">${zoom === "fit" ? "fit" : `${zoom} ×`}</button>`
).join("");

/** Choices of one channel or all. */
function channelChoices(channels: readonly string[]): string {
  const only = channels.length === 1;
  const all = `<option value="">${only ? escapeText(channels[0]) : "all channels"}</option>`;
  return all + (only ? "" : channels.map((name, p) => `<option value="${p}">${escapeText(name)}</option>`).join(""));
}

/** Parts of the page. */
interface InspectedPage {
  readonly title: string;
  /** Height of the picture's frame, CSS pixels. */
  readonly height: number;
  readonly channels: readonly string[];
  /** What the picture shows. */
  readonly words: string;
  /** What stretch it is drawn with. */
  readonly stretchWords: string;
  /** The samples, base64. */
  readonly samples: string;
  /** What the script draws with, JSON. */
  readonly settings: string;
}

const page = ({ title, height, channels, words, stretchWords, samples, settings }: InspectedPage): string =>
  `<!DOCTYPE html><meta charset="utf-8"><title>${escapeText(title)}</title><style>
body{margin:0;font:15px system-ui,sans-serif;background:#fff;color:#1b2129;max-width:880px}
@media (prefers-color-scheme:dark){body{background:#12161c;color:#e8ecf1}}
#room{overflow:auto;height:${height}px;cursor:crosshair;touch-action:none;background:#8882}canvas{display:block}
form{display:flex;gap:.5em;align-items:center;padding:.4em 0}#size{margin-left:auto}p{margin:.2em 0;min-height:1.2em;font-size:14px}
#pixel{font-variant-numeric:tabular-nums}
</style><form>${zoomButtons}<label>channel <select id="channel">${
    channelChoices(channels)
  }</select></label><output id="size"></output></form>
<div id="room" tabindex="0"><canvas id="view" role="img" aria-label="${escapeText(words)}"></canvas></div>
<p id="pixel">move over the picture to read its samples, drag to move it</p><p>${escapeText(stretchWords)}</p>
<script id="data" type="text/plain">${samples}</script>
<script>${inspectedLevel.toString()}
const set=${settings};${script}</script>`;

/**
 * An image to look closely at: buttons enlarge it and dragging moves it, channels can be seen one by one, and the
 * samples under the pointer are written out with their place as stored. Readers without scripts see the same image as
 * a sheet.
 *
 * In: any image; of more than three channels the first is shown, as everywhere. The copy in the page has 16 bits a
 * sample; beyond `width` pixels it is an area mean, and the readout says so: name a `region` to see every pixel.
 *
 * @throws {RangeError} if the region leaves the image, or `width` is not at least 16
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, inspectImage } from "faintlight";
 *
 * const view = inspectImage(constantImage(60, 40, 900), { title: "Even sky" });
 * assert.match(view.html, /data-zoom="4"/);
 * ```
 */
export function inspectImage(image: Image, options: Partial<InspectImageOptions> = {}): InteractiveView {
  requireImage("inspectImage", image);
  const { title, width, ...used } = settle("inspectImage", inspectImageDefaults, options);
  if (!(width >= 16)) throw new RangeError(`inspectImage: width must be ≥ 16, but got ${width}`);
  // the sheet also refuses a region that leaves the image
  const sheet = imageView(image, { title, region: used.region, stretch: used.stretch });
  const region = used.region ?? wholeRegion(image);
  const room = maximumCopyBytes / 2 / (image.planes.length === 3 ? 3 : 1);
  const shape = region.width / region.height;
  const box = { width: Math.floor(Math.min(width, Math.sqrt(room * shape))), height: Math.sqrt(room / shape) };
  const preview = makePreview(image, box, region);
  const stretch = used.stretch === "linear" ? fitLinearDisplay(preview) : fitDisplayStretch(preview);
  const { codes, low, step } = packed(preview);
  const channels = preview.channels.map(channelLabel);
  const settings = {
    width: preview.width,
    height: preview.height,
    x: region.x,
    y: region.y,
    scale: region.width / preview.width,
    topDown: preview.topDown,
    low,
    step,
    stretch,
    channels,
    unit: unitLabel(image.unit),
  };
  const height = Math.round(Math.min(620, 880 * preview.height / preview.width));
  const html = page({
    title,
    height,
    channels,
    words: sheet.alternativeText,
    stretchWords: capital(describeStretch(stretch, image.unit)),
    samples: base64(new Uint8Array(codes.buffer)),
    settings: scriptJson(settings),
  });
  return { sheet, html, height: height + 110 };
}
