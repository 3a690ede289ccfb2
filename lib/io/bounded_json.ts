/** JSON that a stranger wrote: read only as deep and as long as any file of ours is. */

/** Deepest nesting of lists and objects: ours have a dozen. */
const maximumDepth = 64;

/** Most characters: a record of a thousand frames with every option has some two million. */
const maximumLength = 64 * 2 ** 20;

/** Deepest nesting of a text, strings left out. */
function depthOf(text: string): number {
  let depth = 0;
  let most = 0;
  let inString = false;
  for (let i = 0; i < text.length && most <= maximumDepth; i++) {
    const sign = text[i];
    if (inString) {
      if (sign === "\\") i++;
      else if (sign === '"') inString = false;
    } else if (sign === '"') inString = true;
    else if (sign === "[" || sign === "{") most = Math.max(most, ++depth);
    else if (sign === "]" || sign === "}") depth--;
  }
  return most;
}

/**
 * The value of a JSON text.
 *
 * @param text the JSON
 * @param origin where it came from, for the message
 * @param meant what the file should be, for the message
 * @throws {SyntaxError} if it is not JSON, longer than 64 million characters or nested deeper than 64 levels
 */
export function parseJson(text: string, origin: string, meant = "JSON"): unknown {
  if (text.length > maximumLength) {
    throw new SyntaxError(
      `${origin}: must be at most ${maximumLength} characters, but has ${text.length}; name another file`,
    );
  }
  if (depthOf(text) > maximumDepth) {
    throw new SyntaxError(
      `${origin}: must be nested at most ${maximumDepth} levels deep, but is deeper; no program of ours writes so`,
    );
  }
  try {
    return JSON.parse(text);
  } catch (error) {
    throw new SyntaxError(`${origin}: must be ${meant}, but ${(error as Error).message}`, { cause: error });
  }
}
