/** Errors on their way from a worker to the main thread. */
import { FrameError, type FrameErrorReason } from "../core/errors.ts";

/** An error on its way from a worker to the main thread. */
export interface CarriedError {
  /** Name of the class. */
  readonly name: string;
  /** Message. */
  readonly message: string;
  /** Where it was thrown, in the worker. */
  readonly stack: string;
  /** Path and reason of a {@linkcode FrameError}, code of a system error. */
  readonly path?: string;
  /** See path. */
  readonly reason?: string;
  /** See path. */
  readonly code?: string;
  /** What caused it, if that was an error. */
  readonly cause?: CarriedError;
}

/** Carry an error to another thread. */
export function carryError(thrown: unknown, depth = 0): CarriedError {
  if (!(thrown instanceof Error)) return { name: "Error", message: String(thrown), stack: "" };
  const { name, message, stack = "", cause } = thrown;
  const extra = thrown as { readonly path?: unknown; readonly reason?: unknown; readonly code?: unknown };
  const text = (value: unknown) => typeof value === "string" ? value : undefined;
  return {
    name,
    message,
    stack,
    path: text(extra.path),
    reason: text(extra.reason),
    code: text(extra.code),
    cause: cause instanceof Error && depth < 4 ? carryError(cause, depth + 1) : undefined,
  };
}

const builtIn: Readonly<Record<string, new (message: string, options?: ErrorOptions) => Error>> = {
  TypeError,
  RangeError,
  SyntaxError,
  ReferenceError,
  EvalError,
  URIError,
};

/** The error that was carried: same class, message and fields; its stack names the place in the worker. */
export function receiveError(carried: CarriedError): Error {
  const { name, message, stack, path, reason, code } = carried;
  const cause = carried.cause === undefined ? undefined : { cause: receiveError(carried.cause) };
  let error: Error;
  if (name === "FrameError" && path !== undefined && reason !== undefined) {
    error = new FrameError(path, reason as FrameErrorReason, "", "", cause?.cause);
    error.message = message;
  } else {
    error = new (builtIn[name] ?? Error)(message, cause);
    if (error.name !== name) error.name = name;
    if (path !== undefined) Object.assign(error, { path });
    if (code !== undefined) Object.assign(error, { code });
  }
  if (stack !== "") error.stack = stack;
  return error;
}
