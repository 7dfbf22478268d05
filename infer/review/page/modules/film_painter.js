import { invert, scaleOf } from "./affine.js";

/**
 * Draws a film through a matrix and a grey-value window, by the graphics unit where there is one.
 *
 * @typedef {import("./affine.js").Affine} Affine
 * @typedef {import("./grey_window.js").GreyWindow} GreyWindow
 * @typedef {{screenFromFilm: Affine, window: GreyWindow}} Picture
 * @typedef {{load: (film: import("./film_store.js").LoadedFilm) => void, draw: (picture: Picture, ratio: number) => void}} Painter
 */

const GROUND = [0.055, 0.063, 0.07];

/** @param {HTMLCanvasElement} canvas @returns {Painter} */
export function filmPainter(canvas) {
  const gl = new URLSearchParams(location.search).has("plain") ? null : canvas.getContext("webgl2", { antialias: false, alpha: false });
  return gl ? new GraphicsPainter(canvas, gl) : new PlainPainter(canvas);
}

/** The level whose pixels are just smaller than those of the screen. @type {(film: number, perPixel: number) => number} */
function levelFor(levels, perPixel) {
  return Math.max(0, Math.min(levels - 1, Math.floor(Math.log2(Math.max(perPixel, 1e-6)) + 0.25)));
}

const VERTEX = `#version 300 es
in vec2 corner;
void main() { gl_Position = vec4(corner, 0.0, 1.0); }`;

const FRAGMENT = `#version 300 es
precision highp float;
precision highp int;
precision highp usampler2D;
uniform usampler2D film;
uniform mat3 filmFromDevice;
uniform float deviceHeight;
uniform int level;
uniform vec2 window;
uniform bool inverted;
uniform vec3 ground;
out vec4 colour;
void main() {
  vec2 device = vec2(gl_FragCoord.x, deviceHeight - gl_FragCoord.y);
  vec2 place = (filmFromDevice * vec3(device, 1.0)).xy;
  vec2 size = vec2(textureSize(film, 0));
  if (any(lessThan(place, vec2(-0.5))) || any(greaterThan(place, size - 0.5))) { colour = vec4(ground, 1.0); return; }
  vec2 at = (place + 0.5) / float(1 << level) - 0.5;
  ivec2 last = textureSize(film, level) - 1;
  ivec2 low = ivec2(floor(at));
  vec2 part = at - vec2(low);
  ivec2 first = clamp(low, ivec2(0), last);
  ivec2 next = clamp(low + 1, ivec2(0), last);
  float upper = mix(float(texelFetch(film, first, level).r), float(texelFetch(film, ivec2(next.x, first.y), level).r), part.x);
  float lower = mix(float(texelFetch(film, ivec2(first.x, next.y), level).r), float(texelFetch(film, next, level).r), part.x);
  float grey = clamp((mix(upper, lower, part.y) - window.x) / max(window.y - window.x, 1.0), 0.0, 1.0);
  colour = vec4(vec3(inverted ? 1.0 - grey : grey), 1.0);
}`;

/** WebGL 2: sixteen bits as they are, interpolated in the shader since integers cannot be filtered. */
class GraphicsPainter {
  /** @param {HTMLCanvasElement} canvas @param {WebGL2RenderingContext} gl */
  constructor(canvas, gl) {
    this.canvas = canvas;
    this.gl = gl;
    /** @type {import("./film_store.js").LoadedFilm|null} */
    this.film = null;
    this.at = this.#prepare();
    canvas.addEventListener("webglcontextlost", (event) => event.preventDefault());
    canvas.addEventListener("webglcontextrestored", () => {
      this.at = this.#prepare();
      if (this.film) this.load(this.film);
      if (this.last) this.draw(...this.last);
    });
  }

  /** @param {import("./film_store.js").LoadedFilm} film */
  load(film) {
    const { gl } = this;
    this.film = film;
    gl.deleteTexture(this.texture ?? null);
    this.texture = gl.createTexture();
    gl.bindTexture(gl.TEXTURE_2D, this.texture);
    gl.pixelStorei(gl.UNPACK_ALIGNMENT, 2);
    gl.texParameteri(gl.TEXTURE_2D, gl.TEXTURE_MIN_FILTER, gl.NEAREST_MIPMAP_NEAREST);
    gl.texParameteri(gl.TEXTURE_2D, gl.TEXTURE_MAG_FILTER, gl.NEAREST);
    gl.texParameteri(gl.TEXTURE_2D, gl.TEXTURE_WRAP_S, gl.CLAMP_TO_EDGE);
    gl.texParameteri(gl.TEXTURE_2D, gl.TEXTURE_WRAP_T, gl.CLAMP_TO_EDGE);
    gl.texParameteri(gl.TEXTURE_2D, gl.TEXTURE_MAX_LEVEL, film.levels.length - 1);
    film.levels.forEach(({ width, height, pixels }, level) => {
      gl.texImage2D(gl.TEXTURE_2D, level, gl.R16UI, width, height, 0, gl.RED_INTEGER, gl.UNSIGNED_SHORT, pixels);
    });
  }

  /** @param {Picture} picture @param {number} ratio device pixels for each CSS pixel */
  draw(picture, ratio) {
    const { gl, canvas } = this;
    this.last = /** @type {[Picture, number]} */ ([picture, ratio]);
    gl.viewport(0, 0, canvas.width, canvas.height);
    if (!this.film) {
      gl.clearColor(GROUND[0], GROUND[1], GROUND[2], 1);
      gl.clear(gl.COLOR_BUFFER_BIT);
      return;
    }
    gl.uniform1f(this.at.deviceHeight, canvas.height);
    gl.uniform2f(this.at.window, picture.window.low, picture.window.high);
    gl.uniform1i(this.at.inverted, picture.window.inverted ? 1 : 0);
    gl.uniform3f(this.at.ground, GROUND[0], GROUND[1], GROUND[2]);
    const [a, b, c, d, e, f] = invert(picture.screenFromFilm);
    gl.uniformMatrix3fv(this.at.filmFromDevice, false, [a / ratio, b / ratio, 0, c / ratio, d / ratio, 0, e, f, 1]);
    gl.uniform1i(this.at.level, levelFor(this.film.levels.length, 1 / (scaleOf(picture.screenFromFilm) * ratio)));
    gl.drawArrays(gl.TRIANGLES, 0, 3);
  }

  /** @returns {Record<string, WebGLUniformLocation|null>} where the shader takes its settings */
  #prepare() {
    const { gl } = this;
    this.texture = null;
    const program = /** @type {WebGLProgram} */ (gl.createProgram());
    for (const [kind, text] of /** @type {[number, string][]} */ ([[gl.VERTEX_SHADER, VERTEX], [gl.FRAGMENT_SHADER, FRAGMENT]])) {
      const shader = /** @type {WebGLShader} */ (gl.createShader(kind));
      gl.shaderSource(shader, text);
      gl.compileShader(shader);
      gl.attachShader(program, shader);
    }
    gl.linkProgram(program);
    if (!gl.getProgramParameter(program, gl.LINK_STATUS) && !gl.isContextLost()) {
      throw new Error(`shader: ${gl.getProgramInfoLog(program)}`);
    }
    gl.useProgram(program);
    gl.bindBuffer(gl.ARRAY_BUFFER, gl.createBuffer());
    gl.bufferData(gl.ARRAY_BUFFER, new Float32Array([-1, -1, 3, -1, -1, 3]), gl.STATIC_DRAW);
    const corner = gl.getAttribLocation(program, "corner");
    gl.enableVertexAttribArray(corner);
    gl.vertexAttribPointer(corner, 2, gl.FLOAT, false, 0, 0);
    const names = ["filmFromDevice", "deviceHeight", "level", "window", "inverted", "ground"];
    return Object.fromEntries(names.map((name) => [name, gl.getUniformLocation(program, name)]));
  }
}

/** Without WebGL 2: grey values by table into an 8-bit picture, made again when window or level of detail changes. */
export class PlainPainter {
  /** @param {HTMLCanvasElement} canvas */
  constructor(canvas) {
    this.canvas = canvas;
    this.context = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d", { alpha: false }));
    /** @type {import("./film_store.js").LoadedFilm|null} */
    this.film = null;
    /** @type {Map<number, {key: string, picture: HTMLCanvasElement}>} */
    this.made = new Map();
  }

  /** @param {import("./film_store.js").LoadedFilm} film */
  load(film) {
    this.film = film;
    this.made.clear();
  }

  /** @param {Picture} picture @param {number} ratio */
  draw(picture, ratio) {
    const { context, canvas } = this;
    context.setTransform(1, 0, 0, 1, 0, 0);
    context.fillStyle = `rgb(${GROUND.map((part) => Math.round(part * 255)).join(" ")})`;
    context.fillRect(0, 0, canvas.width, canvas.height);
    if (!this.film) return;
    const [a, b, c, d, e, f] = picture.screenFromFilm;
    const { levels } = this.film;
    const level = levelFor(levels.length, 1 / (scaleOf(picture.screenFromFilm) * ratio));
    const size = 2 ** level;
    context.setTransform(a * ratio, b * ratio, c * ratio, d * ratio, e * ratio, f * ratio);
    context.drawImage(this.#picture(level, picture.window), -0.5, -0.5, levels[level].width * size, levels[level].height * size);
  }

  /** @param {number} level @param {GreyWindow} window */
  #picture(level, window) {
    const key = `${window.low} ${window.high} ${window.inverted}`;
    const found = this.made.get(level);
    if (found?.key === key) return found.picture;
    const { width, height, pixels } = /** @type {any} */ (this.film).levels[level];
    const picture = found?.picture ?? document.createElement("canvas");
    picture.width = width;
    picture.height = height;
    const data = new ImageData(width, height);
    const greys = new Uint32Array(data.data.buffer);
    const table = greyTable(window);
    for (let i = 0; i < pixels.length; i++) greys[i] = table[pixels[i]];
    /** @type {CanvasRenderingContext2D} */ (picture.getContext("2d")).putImageData(data, 0, 0);
    this.made.set(level, { key, picture });
    return picture;
  }
}

/** @param {GreyWindow} window @returns {Uint32Array} 8-bit grey, opaque, for each of 65536 values */
function greyTable({ low, high, inverted }) {
  const table = new Uint32Array(65536);
  for (let value = 0; value < 65536; value++) {
    const part = Math.min(Math.max((value - low) / Math.max(high - low, 1), 0), 1);
    table[value] = (0xff000000 | (Math.round((inverted ? 1 - part : part) * 255) * 0x010101)) >>> 0;
  }
  return table;
}
