/** The picture on the page: moved, zoomed and read by hand or by keys; live while something moves, exact at rest. */
import type { PictureLevel } from "../messages.ts";
import { byId } from "./elements.ts";
import { Glass, type GlassLook } from "./glass.ts";
import { centred, type Extent, fitting, moved, nextZoom, type Place, zoomedAt } from "./place.ts";
import { type Against, drawStill, type StillPicture } from "./still.ts";

/** What the view tells the page. */
export interface ViewEvents {
  /** The pointer is over a pixel of the picture, first row on top; null when it left. */
  readonly pointed: (pixel: { readonly x: number; readonly y: number } | null) => void;
}

/** The view. */
export class PictureView {
  readonly #live = byId<HTMLCanvasElement>("live");
  readonly #still = byId<HTMLCanvasElement>("still");
  readonly #frame = byId("picture");
  readonly #events: ViewEvents;
  readonly #glass: Glass | null;
  #picture: Extent = { width: 1, height: 1 };
  #place: Place = { zoom: 1, left: 0, top: 0 };
  /** Whether the whole picture is shown, whatever the size of the view. */
  #fits = true;
  #look: GlassLook | null = null;
  #exact: StillPicture | null = null;
  #against: Against = { other: null, comparison: "none", share: 0.5, blinked: false };
  #isDrawn = true;

  /** A view over the two canvases of the page. */
  constructor(events: ViewEvents) {
    this.#events = events;
    this.#glass = Glass.on(this.#live);
    this.#hear();
    new ResizeObserver(() => this.#resize()).observe(this.#frame);
  }

  /** Whether the picture follows the hand; without it only exact pictures are shown. */
  get isLive(): boolean {
    return this.#glass !== null;
  }

  /** The whole of another picture. */
  open(picture: Extent): void {
    this.#picture = picture;
    this.#exact = null;
    this.#fits = true;
    this.#resize();
  }

  /** Linear levels of the picture. */
  take(levels: readonly PictureLevel[]): void {
    this.#glass?.take(levels);
  }

  /** Follow the hand. */
  follow(look: GlassLook): void {
    this.#look = look;
    if (this.#glass !== null) this.#exact = null;
    this.redraw();
  }

  /** Show the exact picture, alone or against another. */
  rest(exact: StillPicture, against: Against): void {
    const { width, height } = exact.made;
    const isOther = width !== this.#picture.width || height !== this.#picture.height;
    this.#exact = exact;
    this.#against = against;
    if (isOther) {
      this.#picture = { width, height };
      if (this.#fits) this.zoomToFit();
    }
    this.redraw();
  }

  /** Compare otherwise. */
  compare(against: Against): void {
    this.#against = against;
    this.redraw();
  }

  /** Show the whole picture. */
  zoomToFit(): void {
    this.#fits = true;
    this.#go(fitting(this.#picture, this.#live));
  }

  /** Show pixels at a size, the middle kept. */
  zoomTo(zoom: number): void {
    this.#fits = false;
    this.#go(zoomedAt(this.#place, zoom * devicePixelRatio, this.#live.width / 2, this.#live.height / 2));
  }

  /** Pixels of the screen a pixel of the picture. */
  get zoom(): number {
    return this.#place.zoom / devicePixelRatio;
  }

  /** Draw before the next frame of the screen. */
  redraw(): void {
    if (!this.#isDrawn) return;
    this.#isDrawn = false;
    requestAnimationFrame(() => {
      this.#isDrawn = true;
      this.#draw();
    });
  }

  #draw(): void {
    this.#still.hidden = this.#exact === null;
    if (this.#exact !== null) drawStill(this.#still, this.#exact, this.#place, this.#against);
    else if (this.#look !== null) this.#glass?.draw(this.#look, this.#place);
  }

  #resize(): void {
    const before = { x: this.#live.width, y: this.#live.height };
    for (const canvas of [this.#live, this.#still]) {
      canvas.width = Math.max(1, Math.round(this.#frame.clientWidth * devicePixelRatio));
      canvas.height = Math.max(1, Math.round(this.#frame.clientHeight * devicePixelRatio));
    }
    if (this.#fits) return this.zoomToFit();
    const { zoom, left, top } = this.#place;
    this.#go(centred({ x: left + before.x / zoom / 2, y: top + before.y / zoom / 2 }, zoom, this.#live));
  }

  #go({ zoom, left, top }: Place): void {
    // whole pixels of the screen, so that 1 : 1 is sharp
    this.#place = { zoom, left: Math.round(left * zoom) / zoom, top: Math.round(top * zoom) / zoom };
    byId("zoom").textContent = `${Number((100 * this.zoom).toPrecision(3))} %`;
    this.redraw();
  }

  /** Point of the view under the pointer, pixels of the view. */
  #pointOf({ clientX, clientY }: MouseEvent): { readonly x: number; readonly y: number } {
    const box = this.#frame.getBoundingClientRect();
    return { x: (clientX - box.left) * devicePixelRatio, y: (clientY - box.top) * devicePixelRatio };
  }

  #point(event: MouseEvent): void {
    const { x, y } = this.#pointOf(event);
    const { zoom, left, top } = this.#place;
    const pixel = { x: Math.floor(left + x / zoom), y: Math.floor(top + y / zoom) };
    const { width, height } = this.#picture;
    const isInside = pixel.x >= 0 && pixel.y >= 0 && pixel.x < width && pixel.y < height;
    this.#events.pointed(isInside ? pixel : null);
  }

  #step(closer: boolean, x: number, y: number): void {
    this.#fits = false;
    this.#go(zoomedAt(this.#place, nextZoom(this.zoom, closer) * devicePixelRatio, x, y));
  }

  #hear(): void {
    const frame = this.#frame;
    const held = new Map<number, MouseEvent>();
    frame.addEventListener("pointerdown", (event) => {
      held.set(event.pointerId, event);
      frame.setPointerCapture(event.pointerId);
    });
    for (const name of ["pointerup", "pointercancel"] as const) {
      frame.addEventListener(name, ({ pointerId }) => held.delete(pointerId));
    }
    frame.addEventListener("pointermove", (event) => {
      const last = held.get(event.pointerId);
      if (last === undefined) return this.#point(event);
      this.#drag(last, event, [...held].find(([id]) => id !== event.pointerId)?.[1] ?? null);
      held.set(event.pointerId, event);
    });
    frame.addEventListener("pointerleave", () => this.#events.pointed(null));
    frame.addEventListener("dblclick", (event) => {
      if (this.#fits) {
        const { x, y } = this.#pointOf(event);
        this.#fits = false;
        this.#go(zoomedAt(this.#place, devicePixelRatio, x, y));
      } else this.zoomToFit();
    });
    frame.addEventListener("wheel", (event) => {
      // without focus the wheel belongs to the notebook around
      if (document.activeElement !== frame && !event.ctrlKey && !event.metaKey) return;
      event.preventDefault();
      const { x, y } = this.#pointOf(event);
      this.#fits = false;
      const zoom = Math.max(0.02, Math.min(32, this.zoom * 2 ** (-event.deltaY / 300)));
      this.#go(zoomedAt(this.#place, zoom * devicePixelRatio, x, y));
    }, { passive: false });
    frame.addEventListener("keydown", (event) => this.#key(event));
  }

  /** One finger or the mouse moves the picture; a second finger that rests zooms it. */
  #drag(from: MouseEvent, to: MouseEvent, other: MouseEvent | null): void {
    this.#fits = false;
    const [a, b] = [this.#pointOf(from), this.#pointOf(to)];
    if (other === null) return this.#go(moved(this.#place, b.x - a.x, b.y - a.y));
    const c = this.#pointOf(other);
    const ratio = Math.hypot(b.x - c.x, b.y - c.y) / Math.max(1, Math.hypot(a.x - c.x, a.y - c.y));
    this.#go(zoomedAt(this.#place, this.#place.zoom * ratio, c.x, c.y));
  }

  #key(event: KeyboardEvent): void {
    const { width, height } = this.#live;
    const arrows: Readonly<Record<string, readonly [number, number]>> = {
      ArrowLeft: [width / 8, 0],
      ArrowRight: [-width / 8, 0],
      ArrowUp: [0, height / 8],
      ArrowDown: [0, -height / 8],
    };
    const arrow = arrows[event.key];
    if (arrow !== undefined) {
      this.#fits = false;
      this.#go(moved(this.#place, ...arrow));
    } else if (event.key === "+" || event.key === "-") this.#step(event.key === "+", width / 2, height / 2);
    else if (event.key === "0") this.zoomToFit();
    else if (event.key === "1") this.zoomTo(1);
    else return;
    event.preventDefault();
  }
}
