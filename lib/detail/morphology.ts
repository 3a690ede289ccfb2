/** Grey-scale morphology on planes (Serra 1982): lowest and highest samples of a disc around each pixel. NaN is left out. */

/** Chords of a disc: half-width of each row from −radius to radius. */
function chords(radius: number): Int32Array {
  const reach = Math.floor(radius), list = new Int32Array(2 * reach + 1);
  for (let j = -reach; j <= reach; j++) list[j + reach] = Math.floor(Math.sqrt(radius * radius - j * j));
  return list;
}

function extreme(data: Float32Array, width: number, height: number, radius: number, sign: 1 | -1): Float32Array {
  const disc = chords(radius), reach = disc.length >> 1, out = new Float32Array(data.length).fill(NaN);
  const widths = [...new Set(disc)];
  // For each half-width: the extreme of the row's stretch, by the doubling rule; then the rows of the disc are joined.
  for (const half of widths) {
    const rows = new Float32Array(data.length);
    for (let y = 0; y < height; y++) {
      for (let x = 0; x < width; x++) {
        let best = NaN;
        for (let k = Math.max(0, x - half); k <= Math.min(width - 1, x + half); k++) {
          const v = data[y * width + k];
          if (v === v && !(sign * v <= sign * best)) best = v;
        }
        rows[y * width + x] = best;
      }
    }
    for (let j = -reach; j <= reach; j++) {
      if (disc[j + reach] !== half) continue;
      for (let y = Math.max(0, -j); y < Math.min(height, height - j); y++) {
        const to = y * width, from = (y + j) * width;
        for (let x = 0; x < width; x++) {
          const v = rows[from + x];
          if (v === v && !(sign * v <= sign * out[to + x])) out[to + x] = v;
        }
      }
    }
  }
  return out;
}

/** Lowest sample within a disc. */
export const erode = (data: Float32Array, width: number, height: number, radius: number): Float32Array =>
  extreme(data, width, height, radius, -1);

/** Highest sample within a disc. */
export const dilate = (data: Float32Array, width: number, height: number, radius: number): Float32Array =>
  extreme(data, width, height, radius, 1);

/** Erosion, then dilation: what is narrower than the disc goes. */
export const open = (data: Float32Array, width: number, height: number, radius: number): Float32Array =>
  dilate(erode(data, width, height, radius), width, height, radius);

/**
 * Reconstruction by dilation (Vincent 1993, IEEE TIP 2, 176): the marker grown under the mask until nothing changes, with the
 * 3 × 3 neighbourhood: what the marker did not wholly lose returns in its own shape.
 */
export function reconstruct(marker: Float32Array, mask: Float32Array, width: number, height: number): Float32Array {
  const out = new Float32Array(marker.length);
  for (let i = 0; i < out.length; i++) out[i] = Math.min(marker[i], mask[i]);
  for (let changed = true, pass = 0; changed && pass < 10_000; pass++) {
    changed = false;
    const backwards = pass % 2 === 1, step = backwards ? 1 : -1;
    for (let n = 0; n < out.length; n++) {
      const i = backwards ? out.length - 1 - n : n, x = i % width, y = (i - x) / width;
      let best = out[i];
      const row = y + step;
      if (x + step >= 0 && x + step < width && out[i + step] > best) best = out[i + step];
      if (row >= 0 && row < height) {
        for (let k = Math.max(0, x - 1); k <= Math.min(width - 1, x + 1); k++) {
          const v = out[row * width + k];
          if (v > best) best = v;
        }
      }
      if (best > mask[i]) best = mask[i];
      if (best > out[i]) {
        out[i] = best;
        changed = true;
      }
    }
  }
  return out;
}
