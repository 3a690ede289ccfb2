/** What the graphics processor does with a pixel while the hand moves: the stretch, and a curve behind it. */
import { tableOctaves, tableSegments } from "./curve_table.ts";

/** One triangle over everything. */
export const vertexShader = `#version 300 es
void main() {
  vec2 corner = vec2((gl_VertexID << 1) & 2, gl_VertexID & 2);
  gl_Position = vec4(corner * 2.0 - 1.0, 0.0, 1.0);
}`;

/** The stretch of stretchPlanes in float32, its curves read from tables. */
export const fragmentShader = `#version 300 es
precision highp float;
precision highp int;
precision highp sampler2D;
uniform sampler2D levels;
uniform sampler2D firstTable;
uniform sampler2D secondTable;
uniform vec2 origin;     // pixel of the level at the lower left corner of the view
uniform vec2 perPixel;   // pixels of the level a pixel of the view
uniform ivec2 tileCorner;
uniform ivec2 tileSize;
uniform float black;
uniform float scale;
uniform float greyBelow;
uniform float colourAbove;
uniform vec2 zeroSlopes;
uniform bool byChannel;
uniform int secondCurve; // 0: none, 1: on the luminance, 2: on each channel
out vec4 colour;

vec2 tableAt(int table, int column, int row) {
  return table == 0 ? texelFetch(firstTable, ivec2(column, row), 0).rg
                    : texelFetch(secondTable, ivec2(column, row), 0).rg;
}
vec2 curveAt(int table, float t) {
  float zeroSlope = table == 0 ? zeroSlopes.x : zeroSlopes.y;
  vec2 lowest = tableAt(table, 0, 0);
  if (t <= 0.0) return vec2(0.0, zeroSlope);
  if (t >= 1.0) return tableAt(table, 0, ${tableOctaves});
  int bits = floatBitsToInt(t);
  int row = (bits >> 23) - 127 + ${tableOctaves};
  if (row < 0) return vec2(lowest.x * t * exp2(float(${tableOctaves})), lowest.y);
  int column = (bits >> 15) & 255;
  float part = float(bits & 32767) / 32768.0;
  vec2 below = tableAt(table, column, row);
  vec2 above = column == ${tableSegments - 1} ? tableAt(table, 0, row + 1) : tableAt(table, column + 1, row);
  return mix(below, above, part);
}
float gainAt(int table, float mean, vec2 drawn, float from, float full) {
  if (!(mean > 0.0)) return table == 0 ? zeroSlopes.x : zeroSlopes.y;
  float ratio = drawn.x / mean;
  if (mean >= full) return ratio;
  float slope = min(drawn.y, ratio);
  if (mean <= from) return slope;
  float u = (mean - from) / (full - from);
  return slope + (ratio - slope) * u * u * (3.0 - 2.0 * u);
}
vec3 eachDrawn(int table, vec3 v) {
  return vec3(curveAt(table, v.r).x, curveAt(table, v.g).x, curveAt(table, v.b).x);
}
vec3 keptDrawn(int table, vec3 v, float from, float full) {
  float mean = (v.r + v.g + v.b) / 3.0;
  vec2 drawn = curveAt(table, mean);
  vec3 d = gainAt(table, mean, drawn, from, full) * (v - mean);
  float low = min(0.0, min(d.r, min(d.g, d.b)));
  float high = max(0.0, max(d.r, max(d.g, d.b)));
  float keep = 1.0;
  if (drawn.x + high > 1.0) keep = (1.0 - drawn.x) / high;
  if (drawn.x + low < 0.0) keep = min(keep, -drawn.x / low);
  return drawn.x + keep * d;
}
void main() {
  ivec2 place = ivec2(floor(origin + gl_FragCoord.xy * perPixel)) - tileCorner;
  if (any(lessThan(place, ivec2(0))) || any(greaterThanEqual(place, tileSize))) discard;
  vec4 found = texelFetch(levels, place, 0);
  if (found.a == 0.0) discard;
  vec3 v = (found.rgb - black) * scale;
  v = byChannel ? eachDrawn(0, v) : keptDrawn(0, v, greyBelow * scale, colourAbove * scale);
  if (secondCurve == 1) v = keptDrawn(1, v, 0.0, 0.0);
  if (secondCurve == 2) v = eachDrawn(1, v);
  colour = vec4(v, 1.0);
}`;
