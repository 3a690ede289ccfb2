/** What was done to a value, as a graph: star separation, channel merges and masks have several inputs and outputs. */
import { sha256Hex } from "./host.ts";
import { canonicalJson, type Json } from "./options.ts";

/** One step that was carried out. */
export interface HistoryNode {
  /** Digest of step, options, inputs and output: equal work has an equal name. */
  readonly id: string;
  /** Name of the library function. */
  readonly step: string;
  /** Every option with the value that was used. */
  readonly options: { readonly [key: string]: Json };
  /** Ids of the nodes whose results went in, in the order of the arguments. */
  readonly inputs: readonly string[];
  /** Name of the result when the step returns several, else `""`. */
  readonly output: string;
  /** Facts the step found out and a reader should know (fitted values, doubts). */
  readonly notes: readonly string[];
}

/** A graph in topological order; `head` is the node that made the value. */
export interface History {
  /** Nodes; each stands behind its inputs. */
  readonly nodes: readonly HistoryNode[];
  /** Id of the node that made this value. */
  readonly head: string;
}

/** A value that knows how it was made: images, surfaces, star models. */
export interface Recorded {
  /** How the value was made. */
  readonly history: History;
}

/** What a step says of itself when it makes a value. */
export interface StepEntry {
  /** Name of the library function. */
  readonly step: string;
  /** Resolved options. */
  readonly options: object;
  /** Name of the result when the step returns several. */
  readonly output?: string;
  /** Facts found out on the way. */
  readonly notes?: readonly string[];
}

/** What the id of a node is the digest of. */
export type HistoryNodeBody = Omit<HistoryNode, "id" | "notes">;

/** The id of a node: digest of what was done to what. Notes do not count. */
export const historyId = ({ step, options, inputs, output }: HistoryNodeBody): string =>
  sha256Hex(canonicalJson({ step, options, inputs, output })).slice(0, 16);

const plain = (options: object): { readonly [key: string]: Json } => JSON.parse(canonicalJson(options));

/**
 * The history of a new value made by a step from others.
 *
 * @param inputs values that went in; none for a source
 * @param entry the step, its resolved options, the name of the output
 *
 * @example Equal work has an equal name
 * ```ts
 * import assert from "node:assert/strict";
 * import { extendHistory } from "faintlight/extend";
 *
 * const source = extendHistory([], { step: "readFits", options: { digest: "ab" } });
 * const one = extendHistory([{ history: source }], { step: "demo", options: { radius: 2 } });
 * const two = extendHistory([{ history: source }], { step: "demo", options: { radius: 2 } });
 * assert.equal(one.head, two.head);
 * assert.equal(one.nodes.length, 2);
 * ```
 */
export function extendHistory(inputs: readonly Recorded[], entry: StepEntry): History {
  const nodes: HistoryNode[] = [];
  const known = new Set<string>();
  for (const input of inputs) {
    for (const node of input.history.nodes) {
      if (!known.has(node.id)) {
        known.add(node.id);
        nodes.push(node);
      }
    }
  }
  const body = {
    step: entry.step,
    options: plain(entry.options),
    inputs: inputs.map((input) => input.history.head),
    output: entry.output ?? "",
  };
  const id = historyId(body);
  if (!known.has(id)) nodes.push({ id, ...body, notes: entry.notes ?? [] });
  return { nodes, head: id };
}
