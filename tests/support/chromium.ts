/**
 * A browser without a window, led through its own protocol over two pipes: no port is opened, no network is used. Only
 * what tests of pages need.
 */
import { type ChildProcessByStdio, spawn, spawnSync } from "node:child_process";
import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import type { Readable, Writable } from "node:stream";

/** The browser's program, or null where there is none. */
export function findChromium(): string | null {
  for (const name of ["chromium", "chromium-browser", "google-chrome"]) {
    const found = spawnSync("sh", ["-c", `command -v ${name}`], { encoding: "utf8" });
    if (found.status === 0) return found.stdout.trim();
  }
  return null;
}

/** What the browser says: an answer (`id`), or something that happened (`method`). */
interface Message {
  readonly id?: number;
  readonly method?: string;
  readonly params?: Record<string, unknown>;
  readonly result?: Record<string, unknown>;
  readonly error?: { readonly message: string };
}

/** Frames of a page that run scripts: where each may be asked. */
export interface FrameContext {
  readonly id: number;
  /** Empty for the page itself and for frames that are shut off from it. */
  readonly origin: string;
}

/** A page that is open. */
export class ChromiumPage {
  /** What went wrong so far: errors on the console, scripts that threw, files that did not load. */
  readonly errors: string[] = [];
  readonly contexts: FrameContext[] = [];
  #asked = 0;
  #session = "";
  #rest = "";
  readonly #answers = new Map<number, (message: Message) => void>();
  readonly #awaited = new Map<string, () => void>();
  readonly #process: ChildProcessByStdio<Writable, Readable, null>;
  readonly #folder: string;

  private constructor(program: string) {
    this.#folder = mkdtempSync(join(tmpdir(), "faintlight-chromium-"));
    const flags = [
      "--headless",
      "--no-sandbox",
      "--remote-debugging-pipe",
      "--enable-unsafe-swiftshader",
      "--disable-features=IsolateSandboxedIframes",
      "--window-size=1000,1400",
      `--user-data-dir=${this.#folder}`,
    ];
    // the browser listens on descriptor 3 and speaks on 4, where no runtime but a shell can lay our pipes
    const shell = 'exec "$@" 3<&0 4>&1 0</dev/null 1>/dev/null';
    this.#process = spawn("sh", ["-c", shell, "sh", program, ...flags], { stdio: ["pipe", "pipe", "ignore"] });
    this.#process.stdout.setEncoding("utf8");
    this.#process.stdout.on("data", (text: string) => this.#hear(text));
  }

  /** Start the browser with one empty page. */
  static async start(program: string): Promise<ChromiumPage> {
    const page = new ChromiumPage(program);
    const { targetId } = await page.ask("Target.createTarget", { url: "about:blank" });
    const { sessionId } = await page.ask("Target.attachToTarget", { targetId, flatten: true });
    page.#session = String(sessionId);
    for (const domain of ["Page", "Runtime", "Log", "Network"]) await page.ask(`${domain}.enable`);
    return page;
  }

  #hear(text: string): void {
    const messages = (this.#rest + text).split("\0");
    this.#rest = messages.pop() ?? "";
    for (const each of messages) this.#take(JSON.parse(each));
  }

  #take(message: Message): void {
    const { id, method, params = {} } = message;
    if (id !== undefined) this.#answers.get(id)?.(message);
    else if (method === "Runtime.exceptionThrown" || method === "Network.loadingFailed") this.#note(params);
    else if (method === "Log.entryAdded" && (params.entry as { level: string }).level === "error") this.#note(params);
    else if (method === "Runtime.consoleAPICalled" && params.type === "error") this.#note(params);
    else if (method === "Network.requestWillBeSent") this.#noteOutside(params.request as { url: string });
    else if (method === "Runtime.executionContextCreated") this.contexts.push(params.context as FrameContext);
    else if (method === "Runtime.executionContextsCleared") this.contexts.length = 0;
    if (method !== undefined) this.#awaited.get(method)?.();
  }

  #note(params: Record<string, unknown>): void {
    this.errors.push(JSON.stringify(params).slice(0, 2000));
  }

  #noteOutside({ url }: { readonly url: string }): void {
    if (!/^(file|data|blob|about):/.test(url)) this.errors.push(`asked for ${url}`);
  }

  /** Send a command of the browser's protocol and wait for the answer. */
  ask(method: string, params: Record<string, unknown> = {}): Promise<Record<string, unknown>> {
    const id = ++this.#asked;
    const session = this.#session === "" ? {} : { sessionId: this.#session };
    return new Promise((resolve, reject) => {
      this.#answers.set(id, ({ result = {}, error }) => {
        this.#answers.delete(id);
        if (error === undefined) resolve(result);
        else reject(new Error(`${method}: ${error.message}`));
      });
      this.#process.stdin.write(`${JSON.stringify({ id, method, params, ...session })}\0`);
    });
  }

  /** Open an address and wait until it has loaded with all its frames. */
  async open(address: string): Promise<void> {
    const loaded = new Promise<void>((resolve) => this.#awaited.set("Page.loadEventFired", resolve));
    await this.ask("Page.navigate", { url: address });
    await loaded;
    this.#awaited.delete("Page.loadEventFired");
  }

  /** The value of an expression, or what its promise comes to, in the page or in one of its frames. */
  async evaluate(expression: string, contextId?: number): Promise<unknown> {
    const answer = await this.ask("Runtime.evaluate", {
      expression,
      contextId,
      returnByValue: true,
      awaitPromise: true,
    });
    if (answer.exceptionDetails !== undefined) throw new Error(JSON.stringify(answer.exceptionDetails));
    return (answer.result as { value: unknown }).value;
  }

  /** End the browser. */
  async close(): Promise<void> {
    const ended = new Promise((resolve) => this.#process.on("close", resolve));
    this.#session = "";
    await this.ask("Browser.close").catch(() => {});
    await ended;
    rmSync(this.#folder, { recursive: true, force: true, maxRetries: 5 });
  }
}
