/**
 * Selection on arrays of samples, without sorting them and without copying large planes. NaN means no data and is left
 * out.
 */

/** Numbers to take a statistic of; NaN is left out. Typed arrays are fastest. */
export type Samples = ArrayLike<number>;

/** Above this many float32 samples the rank is found by counting bit patterns, which needs no copy. */
const COUNT_FROM = 1 << 18;

/** The samples that are numbers, as float64; always a copy, so that it may be reordered. */
export function finiteCopy(values: Samples): Float64Array {
  const copy = new Float64Array(values.length);
  let n = 0;
  for (let i = 0; i < values.length; i++) {
    const v = values[i];
    if (v === v) copy[n++] = v;
  }
  return n === copy.length ? copy : copy.subarray(0, n);
}

/**
 * Reorder the first `n` numbers so that the one of rank `k` (0 = smallest) stands at index k, nothing larger before it.
 * Quickselect with the median of three as pivot (Hoare 1961, CACM 4, 321). No NaN allowed. Returns the number.
 */
export function selectRank(a: Float64Array | Float32Array, n: number, k: number): number {
  let left = 0;
  let right = n - 1;
  while (right > left) {
    const middle = (left + right) >> 1;
    const p = a[left];
    const q = a[middle];
    const r = a[right];
    const pivot = p < q ? (q < r ? q : p < r ? r : p) : (p < r ? p : q < r ? r : q);
    let i = left;
    let j = right;
    while (i <= j) {
      while (a[i] < pivot) i++;
      while (a[j] > pivot) j--;
      if (i <= j) {
        const t = a[i];
        a[i++] = a[j];
        a[j--] = t;
      }
    }
    if (k <= j) right = j;
    else if (k >= i) left = i;
    else return a[k];
  }
  return a[k];
}

/** Median of the first `n` numbers; reorders them. The mean of the two middle ones when n is even; NaN when n is 0. */
export function medianInPlace(a: Float64Array | Float32Array, n: number = a.length): number {
  if (n === 0) return NaN;
  const half = n >> 1;
  const upper = selectRank(a, n, half);
  if (n & 1) return upper;
  let lower = a[0];
  for (let i = 1; i < half; i++) if (a[i] > lower) lower = a[i];
  return (lower + upper) / 2;
}

const view = new Float32Array(1);
const bitsOfView = new Int32Array(view.buffer);
const sortable = (bits: number) => bits < 0 ? ~bits >>> 0 : (bits | 0x80000000) >>> 0;
const unsortable = (key: number) => {
  bitsOfView[0] = key >= 0x80000000 ? key & 0x7fffffff : ~key;
  return view[0];
};

/**
 * Numbers of the given ascending ranks in float32 data, optionally of |x − centre|, by counting the upper and then the
 * lower half of their bit patterns: two passes, 256 kB of work space, the exact answer.
 */
function countedRanks(data: Float32Array, centre: number | null, ranksOf: (n: number) => readonly number[]): number[] {
  const stored = new Int32Array(data.buffer, data.byteOffset, data.length);
  const key = (i: number): number => {
    if (centre === null) return sortable(stored[i]);
    view[0] = Math.abs(data[i] - centre);
    return sortable(bitsOfView[0]);
  };
  const counts = new Uint32Array(65536);
  let n = 0;
  for (let i = 0; i < data.length; i++) {
    if (data[i] === data[i]) {
      counts[key(i) >>> 16]++;
      n++;
    }
  }
  const result: number[] = [];
  for (const rank of ranksOf(n)) {
    let before = 0;
    let upper = 0;
    while (before + counts[upper] <= rank) before += counts[upper++];
    const fine = new Uint32Array(65536);
    for (let i = 0; i < data.length; i++) {
      if (data[i] === data[i]) {
        const k = key(i);
        if (k >>> 16 === upper) fine[k & 65535]++;
      }
    }
    let lower = 0;
    while (before + fine[lower] <= rank) before += fine[lower++];
    result.push(unsortable(upper * 65536 + lower));
  }
  return result;
}

const middleRanks = (n: number) => n === 0 ? [] : n & 1 ? [n >> 1] : [(n >> 1) - 1, n >> 1];
const meanOf = (values: readonly number[]) =>
  values.length === 0 ? NaN : values.length === 1 ? values[0] : (values[0] + values[1]) / 2;

/** Median of the samples, or of |x − centre|. Large float32 data are counted in place, everything else is copied. */
export function medianOf(values: Samples, centre: number | null = null): number {
  if (values instanceof Float32Array && values.length >= COUNT_FROM) {
    return meanOf(countedRanks(values, centre, middleRanks));
  }
  const copy = finiteCopy(values);
  if (centre !== null) { for (let i = 0; i < copy.length; i++) copy[i] = Math.abs(copy[i] - centre); }
  return medianInPlace(copy);
}

/** Quantile with linear interpolation between neighbouring ranks (type 7 of Hyndman & Fan 1996, Am. Stat. 50, 361). */
export function quantileOf(values: Samples, fraction: number): number {
  const between = (n: number) => {
    const at = fraction * (n - 1);
    const low = Math.floor(at);
    return { low, high: Math.min(low + 1, n - 1), part: at - low };
  };
  if (values instanceof Float32Array && values.length >= COUNT_FROM) {
    let part = 0;
    const pair = countedRanks(values, null, (n) => {
      if (n === 0) return [];
      const b = between(n);
      part = b.part;
      return b.part === 0 ? [b.low] : [b.low, b.high];
    });
    return pair.length === 0 ? NaN : pair.length === 1 ? pair[0] : pair[0] + part * (pair[1] - pair[0]);
  }
  const copy = finiteCopy(values);
  const n = copy.length;
  if (n === 0) return NaN;
  const { low, high, part } = between(n);
  const first = selectRank(copy, n, low);
  if (part === 0 || high === low) return first;
  let second = copy[low + 1];
  for (let i = low + 2; i < n; i++) if (copy[i] < second) second = copy[i];
  return first + part * (second - first);
}
