/** The samples that the page brought along, and the worker that holds the library. */
import type { Answer, Made, PackedPicture, Request } from "../messages.ts";

/** Bytes of a deflated block of the page. */
export async function inflated(base64: string): Promise<Uint8Array<ArrayBuffer>> {
  const bytes = Uint8Array.from(atob(base64), (each) => each.charCodeAt(0));
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
  return new Uint8Array(await new Response(stream).arrayBuffer());
}

/** Planes of a packed picture. */
export async function unpacked(picture: PackedPicture): Promise<readonly Float32Array<ArrayBuffer>[]> {
  const mixed = await inflated(picture.samples);
  const size = picture.width * picture.height;
  const count = mixed.length / 4;
  const bytes = new Uint8Array(mixed.length);
  for (let part = 0; part < 4; part++) {
    for (let i = 0; i < count; i++) bytes[4 * i + part] = mixed[part * count + i];
  }
  const samples = new Float32Array(bytes.buffer);
  return picture.channels.map((_, c) => samples.slice(c * size, (c + 1) * size));
}

/** What to run, without a number. */
export type Wish = Omit<Extract<Request, { readonly kind: "run" }>, "kind" | "id" | "held">;

interface Waiting {
  readonly wish: Wish;
  readonly done: (answer: Answer) => void;
}

/** The worker. It does one thing after the other; of the live wishes that wait, only the newest is done. */
export class Librarian {
  readonly #worker: Worker;
  #count = 0;
  #held = "none";
  /** Whether what runs was asked of an earlier picture. */
  #isOld = false;
  #running: Waiting | null = null;
  #newest: Waiting | null = null;
  readonly #queue: Waiting[] = [];

  /** Start the library from its script and its kernels. */
  constructor(script: Uint8Array<ArrayBuffer>, kernels: Uint8Array<ArrayBuffer>) {
    this.#worker = new Worker(URL.createObjectURL(new Blob([script], { type: "text/javascript" })));
    this.#worker.onmessage = ({ data }: MessageEvent<Answer>) => this.#take(data);
    this.#worker.onerror = ({ message }) => this.#take({ kind: "failed", id: this.#count, message });
    this.#post({ kind: "begin", kernels });
  }

  #post(request: Request): void {
    this.#worker.postMessage(request);
  }

  /** Give it the picture to work on. */
  open(picture: PackedPicture, planes: readonly Float32Array<ArrayBuffer>[]): void {
    const { samples: _, ...facts } = picture;
    this.#held = "none";
    this.#newest = null;
    this.#isOld = this.busy;
    this.#post({ kind: "open", facts, planes });
  }

  /** Ask for the present picture: an older wish that still waits is dropped. */
  askLatest(wish: Wish, done: (answer: Answer) => void): void {
    this.#newest = { wish, done };
    this.#next();
  }

  /** Ask for a picture beside the present one. */
  ask(wish: Wish): Promise<Made> {
    return new Promise((resolve, reject) => {
      const done = (answer: Answer) => answer.kind === "made" ? resolve(answer) : reject(new Error(answer.message));
      this.#queue.push({ wish, done });
      this.#next();
    });
  }

  /** Whether something is being computed. */
  get busy(): boolean {
    return this.#running !== null;
  }

  #next(): void {
    if (this.#running !== null) return;
    const present = this.#newest;
    this.#newest = null;
    const waiting = present ?? this.#queue.shift() ?? null;
    if (waiting === null) return;
    this.#running = waiting;
    // levels are for the present picture; a picture beside it comes without
    const held = waiting === present ? this.#held : JSON.stringify(waiting.wish.linear);
    this.#post({ kind: "run", id: ++this.#count, held, ...waiting.wish });
  }

  #take(answer: Answer): void {
    const done = this.#running;
    const isOld = this.#isOld;
    this.#running = null;
    this.#isOld = false;
    if (!isOld) {
      if (answer.kind === "made" && answer.levels !== null) this.#held = JSON.stringify(done?.wish.linear);
      done?.done(answer);
    }
    this.#next();
  }
}
