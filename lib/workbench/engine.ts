/** The library in a worker of the page: it makes every picture that the workbench keeps, measures or hands out. */
import { setHost } from "../core/host.ts";
import { allocatePlane, createImage, type Image } from "../core/image.ts";
import { pageHost } from "../host/page.ts";
import { imageDigest } from "../pipeline/image_digest.ts";
import { findStep } from "../pipeline/step.ts";
import { clippedShares, drawnPixels, pictureLevels, stripCounts } from "./draw.ts";
import type { Answer, Made, PictureFacts, Request, StepCall } from "./messages.ts";

/** Results kept, so that a step whose options and inputs are unchanged is not run again. */
const maximumKept = 12;

/** An image with the name that it has in the kernel, so that what is made of it here has the name it has there. */
function openedImage(facts: PictureFacts, planes: readonly Float32Array[]): Image {
  const { width, height, channels, unit, header, geometry, head } = facts;
  const made = createImage({
    width,
    height,
    unit,
    header,
    geometry,
    planes: channels.map((channel, c) => {
      const data = allocatePlane(width, height);
      data.set(planes[c]);
      return { channel, data };
    }),
  });
  return head === null ? made : { ...made, history: { nodes: [], head } };
}

/** Runs chains of steps on one image and keeps what they made. */
export class Engine {
  readonly #image: Image;
  readonly #kept = new Map<string, Image>();

  /** An engine for an image that came in pieces. */
  constructor(facts: PictureFacts, planes: readonly Float32Array[]) {
    this.#image = openedImage(facts, planes);
  }

  /** The image behind a chain of calls. */
  run(calls: readonly StepCall[]): Image {
    if (calls.length === 0) return this.#image;
    const name = JSON.stringify(calls);
    const found = this.#kept.get(name);
    const last = calls[calls.length - 1];
    const image = found ?? findStep(last.step).run([this.run(calls.slice(0, -1))], last.options)[last.output] as Image;
    // what was asked for last is let go of last
    this.#kept.delete(name);
    this.#kept.set(name, image);
    if (this.#kept.size > maximumKept) this.#kept.delete([...this.#kept.keys()][0]);
    return image;
  }

  /** The picture for a request, and the linear levels under it where the page lacks them. */
  make({ id, linear, finished, held, axis }: Extract<Request, { readonly kind: "run" }>): Made {
    const began = performance.now();
    const picture = this.run([...linear, ...finished]);
    const base = held === JSON.stringify(linear) ? null : this.run(linear);
    return {
      kind: "made",
      id,
      width: picture.width,
      height: picture.height,
      pixels: drawnPixels(picture),
      clipped: clippedShares(picture),
      head: picture.history.head,
      digest: imageDigest(picture),
      seconds: (performance.now() - began) / 1000,
      levels: base === null ? null : pictureLevels(base),
      counts: base === null ? null : stripCounts(base.planes.map(({ data }) => data), axis),
    };
  }
}

/** What this file uses of a worker's own scope. */
interface WorkerScope {
  readonly WorkerGlobalScope?: unknown;
  readonly postMessage: (message: Answer, transfer: readonly ArrayBuffer[]) => void;
  onmessage: ((event: MessageEvent<Request>) => void) | null;
}

let engine: Engine | null = null;

function answerTo(request: Request): Made | null {
  if (request.kind === "begin") setHost(pageHost(request.kernels));
  else if (request.kind === "open") engine = new Engine(request.facts, request.planes);
  else return engine?.make(request) ?? null;
  return null;
}

/** Answer the page. */
function serve(scope: WorkerScope): void {
  scope.onmessage = ({ data }) => {
    try {
      const made = answerTo(data);
      if (made === null) return;
      const { pixels, levels } = made;
      scope.postMessage(made, [pixels.buffer, ...(levels ?? []).map(({ samples }) => samples.buffer)]);
    } catch (error) {
      const message = error instanceof Error ? error.message : String(error);
      scope.postMessage({ kind: "failed", id: data.kind === "run" ? data.id : 0, message }, []);
    }
  };
}

const scope = globalThis as unknown as WorkerScope;
if (scope.WorkerGlobalScope !== undefined && !("Deno" in globalThis)) serve(scope);
