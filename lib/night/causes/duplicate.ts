/** The same data once more under another name. */
import type { NightRow } from "../night_row.ts";
import type { CauseFinding } from "./cause.ts";
import type { CauseRule } from "./cause_rule.ts";

/** For each row the file that it is a copy of; null where it is the first, or has no digest. */
export function copiesIn(rows: readonly NightRow[]): (string | null)[] {
  const firstByDigest = new Map<string, string>();
  return rows.map(({ digest, record }) => {
    if (!digest) return null;
    const first = firstByDigest.get(digest);
    if (first === undefined) firstByDigest.set(digest, record.file);
    return first ?? null;
  });
}

/** The finding on a copy. */
export const copyFinding = (copyOf: string): CauseFinding => ({
  cause: "duplicate",
  verdict: "reject",
  evidence: `same data as ${copyOf}`,
  strength: 9,
});

/** A copy is found among the files of the night by {@linkcode copiesIn}; no frame shows it by itself. */
export const duplicate: CauseRule = {
  cause: "duplicate",
  remedy: "none needed: one copy is used",
};
