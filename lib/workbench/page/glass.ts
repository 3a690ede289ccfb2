/** The live picture: linear levels as textures, drawn through the stretch by the graphics processor. */
import type { CurveParameters } from "../../tone/curve.ts";
import type { StretchSettings } from "../../tone/stretch.ts";
import type { PictureLevel } from "../messages.ts";
import { curveTable, slopeAtZero, tableOctaves, tableSegments } from "./curve_table.ts";
import { fragmentShader, vertexShader } from "./glass_shader.ts";
import type { Place } from "./place.ts";

/** Side of a texture, pixels: small enough for every graphics processor. */
const tileSide = 1024;

/** What a stretch and a curve behind it need. */
export interface GlassLook {
  readonly stretch: StretchSettings;
  /** A curve over the finished picture; null for none. */
  readonly curve: { readonly parameters: CurveParameters; readonly on: "luminance" | "channels" } | null;
}

interface Tile {
  readonly texture: WebGLTexture;
  readonly corner: readonly [number, number];
  readonly size: readonly [number, number];
}

interface GlassLevel {
  readonly width: number;
  readonly height: number;
  readonly tiles: readonly Tile[];
}

function compiled(gl: WebGL2RenderingContext, kind: number, text: string): WebGLShader {
  const shader = gl.createShader(kind) as WebGLShader;
  gl.shaderSource(shader, text);
  gl.compileShader(shader);
  if (gl.getShaderParameter(shader, gl.COMPILE_STATUS) !== true) {
    throw new Error(`glass: shader must compile, but ${gl.getShaderInfoLog(shader)}`);
  }
  return shader;
}

/** Draws linear levels live. */
export class Glass {
  readonly #gl: WebGL2RenderingContext;
  readonly #program: WebGLProgram;
  readonly #tables: readonly WebGLTexture[];
  #levels: readonly GlassLevel[] = [];

  private constructor(gl: WebGL2RenderingContext) {
    this.#gl = gl;
    this.#program = gl.createProgram();
    gl.attachShader(this.#program, compiled(gl, gl.VERTEX_SHADER, vertexShader));
    gl.attachShader(this.#program, compiled(gl, gl.FRAGMENT_SHADER, fragmentShader));
    gl.linkProgram(this.#program);
    gl.useProgram(this.#program);
    this.#tables = [0, 1].map(() => this.#newTexture());
    ["levels", "firstTable", "secondTable"].forEach((name, unit) => gl.uniform1i(this.#at(name), unit));
  }

  /** A glass on a canvas; null where the browser cannot. */
  static on(canvas: HTMLCanvasElement): Glass | null {
    const gl = canvas.getContext("webgl2", { antialias: false, alpha: true, preserveDrawingBuffer: true });
    return gl === null ? null : new Glass(gl);
  }

  #at(name: string): WebGLUniformLocation | null {
    return this.#gl.getUniformLocation(this.#program, name);
  }

  #newTexture(): WebGLTexture {
    const gl = this.#gl;
    const texture = gl.createTexture();
    gl.bindTexture(gl.TEXTURE_2D, texture);
    gl.texParameteri(gl.TEXTURE_2D, gl.TEXTURE_MIN_FILTER, gl.NEAREST);
    gl.texParameteri(gl.TEXTURE_2D, gl.TEXTURE_MAG_FILTER, gl.NEAREST);
    return texture;
  }

  #tile({ width, height, samples }: PictureLevel, x: number, y: number): Tile {
    const gl = this.#gl;
    const size: [number, number] = [Math.min(tileSide, width - x), Math.min(tileSide, height - y)];
    gl.activeTexture(gl.TEXTURE0);
    const texture = this.#newTexture();
    gl.pixelStorei(gl.UNPACK_ROW_LENGTH, width);
    gl.pixelStorei(gl.UNPACK_SKIP_PIXELS, x);
    gl.pixelStorei(gl.UNPACK_SKIP_ROWS, y);
    gl.texImage2D(gl.TEXTURE_2D, 0, gl.RGBA32F, size[0], size[1], 0, gl.RGBA, gl.FLOAT, samples);
    for (const each of [gl.UNPACK_ROW_LENGTH, gl.UNPACK_SKIP_PIXELS, gl.UNPACK_SKIP_ROWS]) gl.pixelStorei(each, 0);
    return { texture, corner: [x, y], size };
  }

  /** Take other levels: the picture at 1, 1/2, 1/4 … of its size. */
  take(levels: readonly PictureLevel[]): void {
    for (const { tiles } of this.#levels) for (const { texture } of tiles) this.#gl.deleteTexture(texture);
    this.#levels = levels.map((level) => {
      const tiles: Tile[] = [];
      for (let y = 0; y < level.height; y += tileSide) {
        for (let x = 0; x < level.width; x += tileSide) tiles.push(this.#tile(level, x, y));
      }
      return { width: level.width, height: level.height, tiles };
    });
  }

  #setTable(unit: number, parameters: CurveParameters): void {
    const gl = this.#gl;
    gl.activeTexture(gl.TEXTURE1 + unit);
    gl.bindTexture(gl.TEXTURE_2D, this.#tables[unit]);
    const rows = tableOctaves + 1;
    gl.texImage2D(gl.TEXTURE_2D, 0, gl.RG32F, tableSegments, rows, 0, gl.RG, gl.FLOAT, curveTable(parameters));
  }

  #setLook({ stretch, curve }: GlassLook): void {
    const gl = this.#gl;
    const second = curve?.parameters ?? stretch.curve;
    this.#setTable(0, stretch.curve);
    this.#setTable(1, second);
    gl.uniform1f(this.#at("black"), stretch.black);
    gl.uniform1f(this.#at("scale"), 1 / (stretch.white - stretch.black));
    gl.uniform1f(this.#at("greyBelow"), stretch.greyBelow);
    gl.uniform1f(this.#at("colourAbove"), stretch.colourAbove);
    gl.uniform2f(this.#at("zeroSlopes"), slopeAtZero(stretch.curve), slopeAtZero(second));
    gl.uniform1i(this.#at("byChannel"), stretch.colour === "channels" ? 1 : 0);
    gl.uniform1i(this.#at("secondCurve"), curve === null ? 0 : curve.on === "channels" ? 2 : 1);
  }

  /** Draw the part of the picture that a place of the view shows. */
  draw(look: GlassLook, place: Place): void {
    const gl = this.#gl;
    const { width, height } = gl.canvas;
    gl.viewport(0, 0, width, height);
    gl.clearColor(0, 0, 0, 0);
    gl.clear(gl.COLOR_BUFFER_BIT);
    if (this.#levels.length === 0) return;
    this.#setLook(look);
    // the coarsest level that still has a pixel for each of the screen
    const wanted = Math.floor(Math.log2(Math.max(1, 1 / place.zoom)) + 1e-9);
    const depth = Math.min(this.#levels.length - 1, wanted);
    const per = 1 / (place.zoom * 2 ** depth);
    gl.uniform2f(this.#at("perPixel"), per, -per);
    gl.uniform2f(this.#at("origin"), place.left / 2 ** depth, place.top / 2 ** depth + height * per);
    gl.activeTexture(gl.TEXTURE0);
    for (const { texture, corner, size } of this.#levels[depth].tiles) {
      gl.bindTexture(gl.TEXTURE_2D, texture);
      gl.uniform2i(this.#at("tileCorner"), ...corner);
      gl.uniform2i(this.#at("tileSize"), ...size);
      gl.drawArrays(gl.TRIANGLES, 0, 3);
    }
  }
}
