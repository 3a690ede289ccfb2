/** A map between two lists of stars from nothing: triangles propose, chance decides. */
import {
  growMatch,
  type Hypothesis,
  judgeMatch,
  type ListPair,
  logHypotheses,
  type MatchSettings,
  pairLists,
} from "./judge_match.ts";
import { type Similarity, similarityOf, transformOf } from "./similarity.ts";
import { brightest, type SortedStars } from "./star_list.ts";
import { matchTriangles, type Triangles, trianglesOf } from "./triangles.ts";

/** How much one attempt looks at. */
interface Effort {
  /** Brightest stars of each list. */
  readonly stars: number;
  /** Brighter neighbours that make triangles with a star. */
  readonly neighbours: number;
  /** Triangle matches that are grown and judged. */
  readonly verifications: number;
  /** Whether unpromising matches are followed for longer. */
  readonly patient: boolean;
}

/**
 * The attempts, cheap ones first; the last serves lists that share one star in five, and a narrow field in a wide one.
 */
const attempts: readonly Effort[] = [
  { stars: 40, neighbours: 6, verifications: 60, patient: false },
  { stars: 90, neighbours: 7, verifications: 300, patient: false },
  { stars: 200, neighbours: 8, verifications: 1500, patient: false },
  { stars: 400, neighbours: 9, verifications: 3000, patient: true },
];

/** How far below the limit a match ends the search: ten powers of ten, in natural logarithms. */
const decisiveMargin = 23;

/** Places of the corners of triangle `k`. */
const cornersOf = (triangles: Triangles, k: number): Int32Array => triangles.corners.subarray(k * 3, k * 3 + 3);

/** The similarity of one pair of triangles, grown over the frame; null when it does not hold. */
function growTriangle(
  lists: ListPair,
  triangles: readonly [Triangles, Triangles],
  match: readonly [number, number],
  settings: MatchSettings,
  patient: boolean,
): Similarity | null {
  const { source, reference } = lists;
  const [here, there] = triangles;
  const [a, b] = match;
  const corners = cornersOf(here, a);
  const turned = there.upright[b] !== here.upright[a];
  const pairs = { source: corners, reference: cornersOf(there, b), count: 3 };
  const map = similarityOf(source, reference, pairs, turned);
  if (map === null) return null;
  const at = {
    x: (source.x[corners[0]] + source.x[corners[1]] + source.x[corners[2]]) / 3,
    y: (source.y[corners[0]] + source.y[corners[1]] + source.y[corners[2]]) / 3,
  };
  return growMatch({ map, at, reach: here.longest[a] / 2 }, lists, settings, patient);
}

/** One attempt with the brightest stars of each list. */
function attempt(
  source: SortedStars,
  reference: SortedStars,
  effort: Effort,
  settings: MatchSettings,
): Hypothesis | null {
  const { neighbours, verifications, patient } = effort;
  if (source.count < 3 || reference.count < 3) return null;
  const { tolerance, minimumScale, maximumScale, mirror } = settings;
  const positionError = tolerance / 3;
  const rule = { neighbours, minimumSide: positionError * 30, positionError };
  const here = trianglesOf(source, { ...rule, bothOrders: true });
  const there = trianglesOf(reference, { ...rule, bothOrders: false });
  const matches = matchTriangles(here, there, {
    sourceStars: source.count,
    referenceStars: reference.count,
    positionError,
    minimumScale,
    maximumScale,
    mirror,
  });

  const lists = pairLists(source, reference, settings);
  const trials = { logTests: logHypotheses(source, reference, settings), usedPairs: 2 };
  let best: Hypothesis | null = null;
  for (const k of matches.order.subarray(0, verifications)) {
    const match = [matches.source[k], matches.reference[k]] as const;
    const grown = growTriangle(lists, [here, there], match, settings, patient);
    if (grown === null) continue;
    const judged = judgeMatch(transformOf(grown), lists, settings, trials);
    if (best === null || judged.logFalseAlarms < best.logFalseAlarms) best = judged;
    if (best.logFalseAlarms < settings.logAccept - decisiveMargin) break;
  }
  return best;
}

/** The map that chance explains least; null when no triangle holds. It may still be one that chance explains. */
export function searchMatch(
  source: SortedStars,
  reference: SortedStars,
  settings: MatchSettings,
): Hypothesis | null {
  let best: Hypothesis | null = null;
  let before = "";
  for (const effort of attempts) {
    const a = brightest(source, effort.stars);
    const b = brightest(reference, effort.stars);
    const size = `${a.count}/${b.count}`;
    // small lists have shown all they hold, unless more neighbours or more patience can help
    if (size === before && !effort.patient) continue;
    before = size;
    const found = attempt(a, b, effort, settings);
    if (found !== null && (best === null || found.logFalseAlarms < best.logFalseAlarms)) best = found;
    if (best !== null && best.logFalseAlarms < settings.logAccept) return best;
  }
  return best;
}
