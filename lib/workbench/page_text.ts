/** The page as one HTML text. */

/** Parts of the page that do not depend on the image; scripts and kernels are deflated, in base64. */
export interface PageParts {
  readonly style: string;
  readonly page: string;
  readonly engine: string;
  readonly kernels: string;
}

/** Unpacks the page's own script and begins it. */
const begin = `
const bytes = Uint8Array.from(atob(document.getElementById("page").textContent), (each) => each.charCodeAt(0));
const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
new Response(stream).text().then((text) => {
  const script = document.createElement("script");
  script.textContent = text;
  document.body.append(script);
});`;

const picture = `<section id="stage" aria-label="picture">
<div id="picture" tabindex="0" role="img"
aria-label="The picture as the recipe makes it. Arrows move, plus and minus zoom, 0 shows the whole, 1 its own pixels.">
<canvas id="live"></canvas><canvas id="still" hidden></canvas></div>
<p class="line"><span id="readout"> </span><output id="state">opening</output></p>
<div class="line tools"><span id="pictures"></span><button type="button" id="fit">fit</button>
<button type="button" id="whole">1 : 1</button><output id="zoom"></output></div>
<canvas id="strip" role="img" aria-label="Samples at each level, the curve over them, black and white"></canvas>
<p class="line"><label><input type="checkbox" id="logarithmic" checked> counts logarithmic</label>
<output id="clipped"></output></p></section>`;

const comparing = `<section id="comparing" aria-label="variants"><h2>Variants</h2>
<p class="tools"><input id="name" type="text" aria-label="name of the variant" placeholder="name">
<button type="button" id="keep">keep</button><span id="variants"></span></p>
<p class="tools"><label>compare by <select id="comparison"><option value="none">nothing</option>
<option value="wipe">a wipe</option><option value="blink">a blink</option><option value="beside">laying beside</option>
<option value="difference">the difference, 8 times</option></select></label>
<label>with <select id="other"></select></label>
<label><input type="checkbox" id="brightness"> same brightness</label>
<button type="button" id="blink" hidden>show the other</button></p>
<input type="range" id="wipe" min="0" max="100" value="50" aria-label="place of the wipe" hidden></section>`;

const waysOut = `<section id="out" aria-label="take it along"><h2>Take it along</h2>
<p class="tools"><button type="button" id="copy">copy as cell</button>
<button type="button" id="copyRecipe">copy recipe</button><button type="button" id="save">save recipe</button>
<button type="button" id="savePicture">save picture, 8 bits</button><output id="told"></output></p>
<pre id="cell" tabindex="0" aria-label="the calls that make this picture"></pre>
<details><summary>the recipe</summary><pre id="recipe" tabindex="0"></pre></details></section>`;

const history = `<section id="past" aria-label="history"><h2>History</h2>
<p class="tools"><button type="button" id="undo">take back</button><button type="button" id="redo">do again</button></p>
<ol id="history"></ol></section>`;

/**
 * The page.
 *
 * @param content what is particular to the image, as JSON
 */
export function pageText(content: string, { style, page, engine, kernels }: PageParts): string {
  const held = (id: string, text: string) => `<script id="${id}" type="text/plain">${text}</script>`;
  return `<!DOCTYPE html><html lang="en"><head><meta charset="utf-8"><title>At the workbench</title>
<meta name="viewport" content="width=device-width, initial-scale=1"><style>${style}</style></head><body>
<header class="line"><strong>At the workbench</strong><span id="source"></span>
<button type="button" id="theme">light or dark</button></header>
<main>${picture}<div id="text"><section aria-label="recipe"><h2>Recipe</h2><div id="sentences"></div></section>
${history}${waysOut}</div>${comparing}</main>
${held("content", content.replaceAll("<", "\\u003c"))}${held("engine", engine)}${held("kernels", kernels)}
${held("page", page)}<script>${begin}</script></body></html>`;
}
