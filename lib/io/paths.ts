/** Paths of files, for rooms that name files but do not touch the disk. */
export { join } from "node:path";
