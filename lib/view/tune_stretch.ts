/** Sliders for the asinh stretch that work in the page, on a small 16-bit linear copy, without the kernel. */
import { type Image, requireLinear } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { automaticStretch } from "../tone/automatic_stretch.ts";
import { imageView } from "./image_view.ts";
import { clippingColours, rgbOf, themes } from "./palette.ts";
import { makePreview, type Preview, unitLabel } from "./preview.ts";
import { base64 } from "./sheet.ts";
import type { InteractiveView } from "./show.ts";
import { scriptJson } from "./text.ts";

/** Options of {@linkcode tuneStretch}. */
export interface TuneStretchOptions {
  /** Name of the variable that holds the image, for the call to paste. */
  readonly name: string;
  /** Level drawn as 0 to begin with, unit of the image; `"automatic"` takes that of `automaticStretch`. */
  readonly black: number | "automatic";
  /** Level drawn as 1 to begin with; `"automatic"` takes that of `automaticStretch`. */
  readonly white: number | "automatic";
  /** Bend to begin with; `"automatic"` takes that of `automaticStretch`. */
  readonly bend: number | "automatic";
  /** Widest the small copy may be, pixels: what a notebook's file grows by goes with its square. */
  readonly width: number;
}

/** What {@linkcode tuneStretch} uses for an option left out. */
export const tuneStretchDefaults: TuneStretchOptions = Object.freeze({
  name: "image",
  black: "automatic",
  white: "automatic",
  bend: "automatic",
  width: 900,
});

/** What the page draws with, besides the levels of the sliders. */
export interface TunedLevels {
  /** Level drawn as 0. */
  readonly black: number;
  /** Level drawn as 1. */
  readonly white: number;
  /** Bend of the curve. */
  readonly bend: number;
  /** Up to this level above black colour differences get the local slope only. */
  readonly greyBelow: number;
  /** From this level above black the ratios of the channels are kept in full. */
  readonly colourAbove: number;
}

/**
 * One pixel through `stretchAsinh`, written so that its text runs in a page: no types inside, nothing from outside.
 * `values` are the linear levels of its one or three channels and are replaced by 0 … 1. A test holds it against the
 * library's own stretch.
 */
export function drawTunedPixel(values: number[], levels: TunedLevels): void {
  const scale = 1 / (levels.white - levels.black);
  const bend = levels.bend;
  const gain0 = 1 / Math.asinh(bend);
  const curve = (t: number) => t <= 0 ? 0 : t >= 1 ? 1 : gain0 * Math.asinh(bend * t);
  const slope = (t: number) => gain0 * bend / Math.sqrt(1 + bend * bend * t * t);
  const count = values.length;
  let mean = 0;
  for (let c = 0; c < count; c++) {
    values[c] = (values[c] - levels.black) * scale;
    mean += values[c] / count;
  }
  const y = curve(mean);
  if (count === 1) {
    values[0] = y;
    return;
  }
  const from = levels.greyBelow * scale;
  const full = levels.colourAbove * scale;
  let gain = slope(0);
  if (mean > 0) {
    const ratio = y / mean;
    const lowest = Math.min(slope(mean), ratio);
    const u = mean >= full ? 1 : mean <= from ? 0 : (mean - from) / (full - from);
    gain = lowest + (ratio - lowest) * u * u * (3 - 2 * u);
  }
  let low = 0;
  let high = 0;
  for (let c = 0; c < count; c++) {
    values[c] = gain * (values[c] - mean);
    low = Math.min(low, values[c]);
    high = Math.max(high, values[c]);
  }
  let keep = 1;
  if (y + high > 1) keep = (1 - y) / high;
  if (y + low < 0) keep = Math.min(keep, -y / low);
  for (let c = 0; c < count; c++) values[c] = y + keep * values[c];
}

/** Bytes of 16-bit samples that leave room for the page within one output. */
const maximumCopyBytes = 640_000;

/**
 * Runs in the page behind the settings and {@linkcode drawTunedPixel}. Levels are rounded to what a person would paste
 * before they are drawn.
 */
const script = `
const bytes=Uint8Array.from(atob(document.getElementById("data").textContent.trim()),(c)=>c.charCodeAt(0));
const codes=new Uint16Array(bytes.buffer),n=set.width*set.height,planes=set.planes;
const level=new Float32Array(codes.length);for(let i=0;i<level.length;i++)level[i]=set.low+set.step*codes[i];
const $=(id)=>document.getElementById(id),view=$("view"),bars=$("bars"),ink=view.getContext("2d"),chart=bars.getContext("2d");
view.width=set.width;view.height=set.height;
const out=ink.createImageData(set.width,set.height);
const unfold={black:(v)=>set.sky+set.noise*v,white:(v)=>set.sky+set.noise*Math.pow(10,v),bend:(v)=>Math.pow(10,v)};
const shown=(v)=>Number(v.toPrecision(5));
function draw(){
  const levels={...set.levels};for(const id of ["black","white","bend"]){levels[id]=shown(unfold[id](+$(id).value));$(id+"-value").textContent=levels[id]}
  if(!(levels.white>levels.black))return;
  const counts=[...Array(planes)].map(()=>new Float64Array(256)),v=new Array(planes),marked=$("mark").checked;let low=0,high=0;
  for(let i=0;i<n;i++){
    for(let c=0;c<planes;c++)v[c]=level[c*n+i];
    drawTunedPixel(v,levels);
    let under=0,over=0;
    for(let c=0;c<planes;c++){counts[c][Math.round(255*v[c])]++;if(v[c]<=0)under++;if(v[c]>=1)over++}
    low+=under;high+=over;
    const sign=marked?(over?set.over:under?set.under:null):null;
    for(let c=0;c<3;c++)out.data[4*i+c]=sign?sign[c]:Math.round(255*v[planes===1?0:c]);
    out.data[4*i+3]=255;
  }
  ink.putImageData(out,0,0);
  const w=bars.width,h=bars.height;chart.clearRect(0,0,w,h);
  const most=Math.log1p(Math.max(1,...counts.flatMap((each)=>[...each].slice(1,255))));
  counts.forEach((each,c)=>{chart.strokeStyle=set.colours[c];chart.lineWidth=1.6;chart.beginPath();each.forEach((count,q)=>{const x=10+q/255*(w-20),y=h-Math.min(1,Math.log1p(count)/most)*(h-4);q?chart.lineTo(x,y):chart.moveTo(x,y)});chart.stroke()});
  // what is clipped stands as a bar at either end, on the same logarithmic scale
  const bar=(count,x,colour)=>{const y=Math.min(1,Math.log1p(count/planes)/most)*(h-4);chart.fillStyle="rgb("+colour+")";chart.fillRect(x,h-y,7,y)};
  bar(low,0,set.under);bar(high,w-7,set.over);
  const share=(count)=>(100*count/(n*planes)).toFixed(3)+" %";
  $("low").textContent="◂ at black "+share(low);$("high").textContent="at white "+share(high)+" ▸";
  $("call").textContent="stretchAsinh("+set.name+", "+JSON.stringify(levels).replace(/"(\\w+)":/g," $1: ").replace(/,/g,",").replace(/}$/," }")+")";
}
for(const id of ["black","white","bend","mark"])$(id).oninput=draw;
view.onmousemove=(e)=>{const r=view.getBoundingClientRect(),x=Math.floor((e.clientX-r.left)/r.width*set.width),y=Math.floor((e.clientY-r.top)/r.height*set.height),i=y*set.width+x;if(i>=0&&i<n)$("pixel").textContent="x "+Math.round((x+.5)*set.scale-.5)+", y "+Math.round((set.topDown?(y+.5):(set.height-y-.5))*set.scale-.5)+": "+[...Array(planes)].map((_,c)=>shown(level[c*n+i])).join(", ")+" "+set.unit};
draw();
`;

/** Levels to begin with: those given, the rest as `automaticStretch` finds them. */
function beginningLevels(image: Image, used: TuneStretchOptions): TunedLevels {
  const complete = [used.black, used.white, used.bend].every((given) => given !== "automatic");
  const found = complete ? null : automaticStretch(image);
  const pick = (given: number | "automatic", own: number | undefined) => given === "automatic" ? own ?? NaN : given;
  return {
    black: pick(used.black, found?.black),
    white: pick(used.white, found?.white),
    bend: pick(used.bend, found?.curve.bend),
    greyBelow: Number((found?.greyBelow ?? 0).toPrecision(5)),
    colourAbove: Number((found?.colourAbove ?? 0).toPrecision(5)),
  };
}

/** Samples in 16-bit steps of their range, planes one behind the other. */
interface PackedPreview {
  readonly codes: Uint16Array;
  /** Level of code 0. */
  readonly low: number;
  /** Levels a step. */
  readonly step: number;
}

function packed({ planes, width, height }: Preview): PackedPreview {
  let low = Infinity;
  let high = -Infinity;
  for (const plane of planes) {
    for (const v of plane) {
      if (v < low) low = v;
      if (v > high) high = v;
    }
  }
  const step = (high - low) / 65535 || 1;
  const codes = new Uint16Array(planes.length * width * height);
  planes.forEach((plane, c) =>
    plane.forEach((v, i) => codes[c * plane.length + i] = v !== v ? 0 : Math.round((v - low) / step))
  );
  return { codes, low, step };
}

/** The small copy that the page draws: no wider than asked for, and within one output. */
function smallCopy(image: Image, width: number): Preview {
  const room = Math.floor(maximumCopyBytes / 2 / image.planes.length);
  const shape = image.width / image.height;
  return makePreview(image, {
    width: Math.floor(Math.min(width, Math.sqrt(room * shape))),
    height: Math.floor(Math.sqrt(room / shape)),
  });
}

const slider = (id: string, range: readonly [number, number], value: number) =>
  `<label for="${id}">${id}</label><input id="${id}" type="range" min="${range[0]}" max="${range[1]}" step="any" ` +
  `value="${value}"><output id="${id}-value"></output>`;

/** Height of what stands below the picture, CSS pixels. */
const controlsHeight = 350;

/** The page: the picture, its histogram, sliders and the call that makes the same picture. */
const page = (width: number, sliders: string, samples: string, settings: string): string =>
  `<!DOCTYPE html><meta charset="utf-8"><title>Stretch by hand</title><style>
body{margin:0;font:15px system-ui,sans-serif;background:#fff;color:#1b2129}
@media (prefers-color-scheme:dark){body{background:#12161c;color:#e8ecf1}}
canvas{display:block;max-width:100%}#view,#bars,form,#ends,code{width:${width}px;box-sizing:border-box;max-width:100%}
#bars{background:#8882;margin-top:6px;height:110px}#ends{display:flex;justify-content:space-between;font-size:14px}
form{display:grid;grid-template-columns:auto 1fr 6em;gap:.3em .8em;padding:.6em 0}output{text-align:right;font-variant-numeric:tabular-nums}
.wide{grid-column:1/4}code{display:block;padding:.5em;background:#8882;user-select:all;overflow-wrap:anywhere}p{margin:.3em 0;min-height:1.2em}
#low::before,#high::after{content:"";display:inline-block;width:.7em;height:.7em;margin:0 .4em;background:rgb(${
    rgbOf(clippingColours.black)
  })}#high::after{background:rgb(${rgbOf(clippingColours.white)})}
</style><canvas id="view" role="img" aria-label="The picture as the sliders draw it"></canvas><canvas id="bars" width="880" height="110" role="img" aria-label="Its histogram, black on the left, white on the right, counts logarithmic"></canvas>
<div id="ends"><span id="low"></span><span id="high"></span></div>
<form>${sliders}<label class="wide"><input id="mark" type="checkbox"> mark clipped pixels</label></form><p id="pixel">move over the picture to read its linear levels</p><code id="call"></code>
<script id="data" type="text/plain">${samples}</script>
<script>${drawTunedPixel.toString()}
const set=${settings};${script}</script>`;

/**
 * The asinh stretch with sliders for black, white and bend: the picture, its histogram and the clipped shares follow
 * at once, and the call that makes the same picture at full size stands below, ready to paste. Runs in the page on a
 * small linear copy of 16 bits; the kernel is not asked.
 *
 * In: a linear image of one or three planes. The copy is an area mean, so noise looks smaller than at full size.
 *
 * @throws {TypeError} if the image is a finished picture or has neither one nor three planes
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, tuneStretch } from "faintlight";
 *
 * const view = tuneStretch(constantImage(60, 40, 900), { name: "stack", black: 800, white: 9000, bend: 40 });
 * assert.ok(view.html.length < 1_000_000);
 * ```
 */
export function tuneStretch(image: Image, options: Partial<TuneStretchOptions> = {}): InteractiveView {
  const used = settle("tuneStretch", tuneStretchDefaults, options);
  requireLinear("tuneStretch", image);
  const count = image.planes.length;
  if (count !== 1 && count !== 3) {
    throw new TypeError(`tuneStretch: image must have 1 or 3 planes, but got ${count}; choose or map channels`);
  }
  const levels = beginningLevels(image, used);
  const preview = smallCopy(image, used.width);
  const { codes, low, step } = packed(preview);
  // the black slider moves in units of the distance it begins below the faint end, the others by powers of ten
  const sky = levels.black;
  const noise = Math.max((levels.white - levels.black) / 4000, step);
  const theme = themes.light;
  const settings = {
    name: used.name,
    width: preview.width,
    height: preview.height,
    planes: count,
    low,
    step,
    sky,
    noise,
    levels,
    scale: image.width / preview.width,
    topDown: preview.topDown,
    unit: unitLabel(image.unit),
    colours: count === 1 ? ["#8a94a3"] : [theme.red, theme.teal, theme.blue],
    over: rgbOf(clippingColours.white),
    under: rgbOf(clippingColours.black),
  };
  const shownWidth = Math.min(880, Math.max(480, preview.width));
  const sliders = slider("black", [-300, 300], 0) +
    slider("white", [0.5, 4.6], Math.log10((levels.white - sky) / noise)) +
    slider("bend", [0, 5.5], Math.log10(levels.bend));
  const html = page(shownWidth, sliders, base64(new Uint8Array(codes.buffer)), scriptJson(settings));
  const height = Math.round(shownWidth * preview.height / preview.width) + controlsHeight;
  return { sheet: imageView(image, { title: "Before the stretch" }), html, height };
}
