/** A list of names in a sentence. */

/**
 * The first of some names, and how many more there are: `a, b and 7 more`.
 *
 * @param names the names, in the order in which they are to be read
 * @param most how many are named
 */
export function namesInWords(names: readonly string[], most: number): string {
  const named = names.slice(0, most).join(", ");
  return names.length > most ? `${named} and ${names.length - most} more` : named;
}
