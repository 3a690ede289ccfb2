/** Blocks of the field that are left out of a fit in turn, to see how well it foretells what it was not fitted to. */
import type { SampledField } from "./sample_background.ts";

/** Blocks along each side of the field. */
const blocksAlong = 4;

/** Number of a sample's block by its place. */
const blockOf = (field: SampledField, i: number): number => {
  const { x, y } = field.samples[i];
  return Math.min(blocksAlong - 1, Math.floor(blocksAlong * (x + 0.5) / field.width)) +
    blocksAlong * Math.min(blocksAlong - 1, Math.floor(blocksAlong * (y + 0.5) / field.height));
};

/** Samples of an index with those of one block taken out, one entry a block that holds any. */
export function leaveBlocksOut(
  field: SampledField,
  index: readonly number[],
): { readonly out: readonly number[]; readonly rest: readonly number[] }[] {
  const blocks = index.map((i) => blockOf(field, i));
  return Array.from({ length: blocksAlong * blocksAlong }, (_, block) => ({
    out: index.filter((_, k) => blocks[k] === block),
    rest: index.filter((_, k) => blocks[k] !== block),
  })).filter(({ out }) => out.length > 0);
}

/** What a fit gives, or null where it has too few samples. */
export function unlessTooFew<T>(fit: () => T): T | null {
  try {
    return fit();
  } catch (cause) {
    if (cause instanceof RangeError) return null;
    throw cause;
  }
}
