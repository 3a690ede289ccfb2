/** Where a worker of the pool begins under Deno. */
import { parentPort, workerData } from "node:worker_threads";
import { serveCalls } from "../parallel/serve_calls.ts";
import type { WorkerStart } from "./deno.ts";
import "./deno.ts";

const { counters } = workerData as WorkerStart;
parentPort?.on("message", ({ port }: { readonly port: MessagePort }) => serveCalls(port, counters));
