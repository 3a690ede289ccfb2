/** Rules of the house that `deno lint` holds beside its own. */

/** What the rules read of a node of the syntax tree. */
interface SyntaxNode {
  readonly parent: { readonly type: string };
  /** First character and the one behind the last. */
  readonly range: readonly [number, number];
  readonly declarations: readonly unknown[];
  readonly params: readonly unknown[];
}
/** Where a rule reports what it found. */
interface RuleContext {
  readonly filename: string;
  readonly sourceCode: { readonly text: string };
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

/** Calls a check with every function of the library. */
const eachFunction = (check: (node: SyntaxNode, context: RuleContext) => void) => ({
  create: (context: RuleContext) => {
    const visit = (node: SyntaxNode): void => {
      if (/[\\/]lib[\\/]/.test(context.filename)) check(node, context);
    };
    return { FunctionDeclaration: visit, FunctionExpression: visit, ArrowFunctionExpression: visit };
  },
});

const maximumLines = 80;
const shortFunctions = eachFunction((node, context) => {
  const lines = context.sourceCode.text.slice(...node.range).split("\n").length;
  if (lines > maximumLines) {
    const message = `a function has at most ${maximumLines} lines, this one ${lines}: give its paragraphs names`;
    context.report({ node, message });
  }
});

const maximumParameters = 5;
const fewParameters = eachFunction((node, context) => {
  // kernels and their thin wrappers take what the machine takes: addresses and numbers
  const isKernel = /[\\/]kernels[\\/]/.test(context.filename);
  if (!isKernel && node.params.length > maximumParameters) {
    const message = `a function takes at most ${maximumParameters} values, this one ${node.params.length}: group them`;
    context.report({ node, message });
  }
});

export default {
  name: "house",
  rules: {
    "one-declaration-a-line": oneDeclarationALine,
    "short-functions": shortFunctions,
    "few-parameters": fewParameters,
  },
};
