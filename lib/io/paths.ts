/** Paths of files, for rooms that name files but do not touch the disk. */
import { relative, resolve } from "node:path";
export { join } from "node:path";

/** Whether a file or folder is another one or lies below it. */
export const liesWithin = (inner: string, outer: string): boolean => {
  const path = relative(outer, inner);
  return path === "" || (!path.startsWith("..") && resolve(outer, path) === inner);
};
