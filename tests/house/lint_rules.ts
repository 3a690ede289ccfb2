/** Rules of the house that `deno lint` holds beside its own. */

/** What the rules read of a node of the syntax tree. */
interface SyntaxNode {
  readonly parent: { readonly type: string };
  readonly declarations: readonly unknown[];
}
/** Where a rule reports what it found. */
interface RuleContext {
  report(finding: { readonly node: SyntaxNode; readonly message: string }): void;
}

const oneDeclarationALine = {
  create: (context: RuleContext) => ({
    VariableDeclaration(node: SyntaxNode): void {
      const inLoopHead = node.parent.type === "ForStatement";
      if (node.declarations.length > 1 && !inLoopHead) {
        context.report({ node, message: "one declaration a line: give each name a statement of its own" });
      }
    },
  }),
};

export default { name: "house", rules: { "one-declaration-a-line": oneDeclarationALine } };
