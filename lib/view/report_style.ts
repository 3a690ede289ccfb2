/** Looks of the report: both themes, a narrow screen, paper. */
import { themes, themeVariables } from "./palette.ts";

/** Style sheet of the page. */
export const reportStyle = `
:root{${themeVariables(themes.light)};color-scheme:light dark}
@media (prefers-color-scheme:dark){:root{${themeVariables(themes.dark)}}}
*{box-sizing:border-box}
body{margin:0 auto;padding:1.5rem 1.25rem 4rem;max-width:78rem;background:var(--background);color:var(--ink);
  font:1rem/1.55 system-ui,sans-serif}
h1{font-weight:300;font-size:2.4rem;margin:.2rem 0 0;letter-spacing:.01em}
h2{font-size:1.45rem;margin:3rem 0 .8rem;padding-bottom:.3rem;border-bottom:1px solid var(--line)}
h3{font-size:1.12rem;margin:2rem 0 .6rem}
small,figcaption,.quiet{color:var(--muted);font-weight:400}
header p{margin:.2rem 0 1rem}
nav{display:flex;flex-wrap:wrap;gap:.4rem 1.2rem;margin:1rem 0}
a{color:inherit;text-underline-offset:.2em}
figure{margin:1rem 0}
img{display:block;max-width:100%;height:auto}
.hero img{margin:0 auto}
.row{display:grid;grid-template-columns:repeat(auto-fit,minmax(min(100%,30rem),1fr));gap:1rem}
.row figure{margin:0}
.wide{overflow-x:auto}
table{border-collapse:collapse;width:100%;font-size:.9rem;font-variant-numeric:tabular-nums}
th,td{padding:.28rem .6rem;text-align:left;vertical-align:top;border-bottom:1px solid var(--line)}
th{border-bottom:2px solid var(--muted);font-weight:600}
tbody tr:nth-child(even){background:var(--panel)}
.n{text-align:right;white-space:nowrap}
.file{display:inline-block;min-width:11rem;max-width:22rem;overflow-wrap:anywhere}
.one{white-space:nowrap}
.grid{display:grid;grid-template-columns:repeat(auto-fill,minmax(11rem,1fr));gap:1rem .8rem}
.grid.small{grid-template-columns:repeat(auto-fill,minmax(7.5rem,1fr));gap:.7rem .6rem}
.grid figure{margin:0;border-top:3px solid currentColor;content-visibility:auto;contain-intrinsic-size:auto 11rem}
.grid.small figcaption{font-size:.72rem}
.grid img{width:100%}
.grid figcaption{font-size:.8rem;line-height:1.35;padding-top:.3rem;overflow-wrap:anywhere}
.grid b{color:var(--ink)}
.keep{color:var(--teal)}.down{color:var(--amber)}.reject{color:var(--red)}
dl{display:flex;flex-wrap:wrap;gap:.5rem 2rem;margin:.6rem 0}
dt{color:var(--muted);font-size:.85rem}dd{margin:0;font-variant-numeric:tabular-nums}
.findings li{margin:.25rem 0}
.doubts{list-style:none;padding-left:0}
.doubts li{padding-left:1.4rem;position:relative;margin:.25rem 0}
.doubts li::before{content:"▲";color:var(--amber);position:absolute;left:0;font-size:.8em;top:.2em}
.call{color:var(--muted);font-size:.9rem;overflow-wrap:anywhere}
details summary{cursor:pointer;margin:1rem 0 .5rem}
footer{margin-top:3rem;color:var(--muted);font-size:.9rem}
@media print{body{max-width:none;padding:0;font-size:10pt}nav{display:none}
  h2,h3{break-after:avoid}figure,tr,dl{break-inside:avoid}details{display:block}}
`;
