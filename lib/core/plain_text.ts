/** Text of strangers (names of files, cards of headers) where it is read: it may say anything and do nothing. */

/** Characters that do something instead of being read: controls, and those that turn the direction of writing. */
const acting = /[\p{Cc}\u200e\u200f\u202a-\u202e\u2066-\u2069]/gu;

/**
 * Text for a terminal, one line: each control character and each that turns the direction of writing becomes `\ufffd`.
 */
export const plainText = (text: string): string => text.replace(acting, "\ufffd");

/** Whether a text may be the path of a file within a folder: relative, and without `..` on the way. */
export const isInnerPath = (text: string): boolean =>
  text !== "" && !/^\/|^[A-Za-z]:[\\/]|\0/.test(text) && !text.split(/[\\/]/).includes("..");
