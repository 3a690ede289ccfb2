/** Bytes made smaller without loss, in the format that a browser's `DecompressionStream("deflate")` reads. */
import zlib from "node:zlib";

/** Bytes as a zlib stream (RFC 1950). */
export const deflate = (bytes: Uint8Array): Uint8Array => new Uint8Array(zlib.deflateSync(bytes, { level: 9 }));
