/** Files that come with the library itself or with a package it uses. */
import { readFileSync } from "node:fs";
import { createRequire } from "node:module";

/** Bytes of a file beside the library's sources. */
export const readAsset = (url: URL): Uint8Array => new Uint8Array(readFileSync(url));

/**
 * Path of a file inside a package that the project depends on, in whatever cache or folder the runtime keeps packages.
 */
export const packageFile = (name: string): string => createRequire(import.meta.url).resolve(name);

/** Bytes of a file inside a package. */
export const readPackageFile = (name: string): Uint8Array => new Uint8Array(readFileSync(packageFile(name)));
