import { describe, expect, it } from "vitest";
import { HistoryTree } from "../../lib/workbench/history_tree.ts";

describe("the history of a person's changes", () => {
  it("goes back and forward, and branches where one goes on from an earlier state", () => {
    const tree = new HistoryTree(0, "found");
    tree.add(1, "one");
    tree.add(2, "two");
    tree.back();
    expect(tree.state).toBe(1);
    tree.add(3, "three");
    tree.back();
    tree.back();
    tree.back();
    expect(tree.state).toBe(0);
    tree.forward();
    tree.forward();
    expect(tree.state).toBe(3);
    expect(tree.nodes.map(({ state }) => state)).toEqual([0, 1, 2, 3]);
    expect(tree.nodes.map((_, at) => tree.branchOf(at))).toEqual([0, 0, 0, 1]);
    tree.go(2);
    expect(tree.state).toBe(2);
  });
});
