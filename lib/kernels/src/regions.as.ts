// Peaks that were found: the region around each, and the samples of a ring about it.
import { floatA, loadA } from "./planes.as";

// Samples three away from a peak, sorted as they come: the median of the eight, those beyond a border moved to it.
function around(a: usize, w: i32, h: i32, x: i32, y: i32, room: usize): f64 {
  for (let k = 0; k < 8; k++) {
    // East, south-east and so on: 3, 2, 0, −2, −3, −2, 0, 2.
    const ex = k == 0 ? 3 : k == 4 ? -3 : (k & 3) == 2 ? 0 : k == 1 || k == 7 ? 2 : -2;
    const ey = k == 2 ? 3 : k == 6 ? -3 : (k & 3) == 0 ? 0 : k < 4 ? 2 : -2;
    const v = floatA(a + (<usize>(max(0, min(h - 1, y + ey)) * w + max(0, min(w - 1, x + ex))) << 2));
    let q = room + (<usize>k << 2);
    for (; q > room && load<f32>(q - 4) > v; q -= 4) store<f32>(q, load<f32>(q - 4));
    store<f32>(q, v);
  }
  return (<f64>load<f32>(room, 12) + <f64>load<f32>(room, 16)) / 2;
}

// Which of three neighbours are at or above the floor and not this region's yet, a bit each; column x in their middle.
@inline function freeNeighbours(a: usize, marks: usize, from: i32, x: i32, w: i32, floor: f32): i32 {
  if (x > 0 && x + 2 < w) {
    const own = (load<u32>(marks + <usize>from) >> 1) & 0x010101;
    const taken = own | (own >> 7) | (own >> 14);
    return i32x4.bitmask(f32x4.ge(loadA(a + (<usize>from << 2)), f32x4.splat(floor))) & 7 & ~taken;
  }
  let bits = 0;
  for (let l = 0; l < 3; l++) {
    if (x + l < 1 || x + l > w) continue;
    const free = load<u8>(marks + <usize>(from + l)) != 2;
    if (free && floatA(a + (<usize>(from + l) << 2)) >= floor) bits |= 1 << l;
  }
  return bits;
}

// For each of a list of eight doubles (index of a peak, floor): the region around it that stays at or above the floor,
// NaN none: area, x, y, xx, xy, yy, 1 if it meets another's; and before these the median of the samples around.
// `marks` holds a byte a sample and sixteen more (1: another region's, 2: this one's), `room` a queue.
export function regions(a: usize, w: i32, h: i32, list: usize, count: i32, marks: usize, room: usize, most: i32): void {
  for (let q = marks; q < marks + <usize>(w * h); q += 16) v128.store(q, i32x4.splat(0));
  for (let k = 0; k < count; k++, list += 64) {
    const start = <i32>load<f64>(list);
    const floor = <f32>load<f64>(list, 8);
    const x0 = start % w;
    const y0 = start / w;
    let tail = 1;
    let mx = 0.0;
    let my = 0.0;
    let sxx = 0.0;
    let sxy = 0.0;
    let syy = 0.0;
    let meets = load<u8>(marks + <usize>start) != 0;
    if (!meets && floor == floor) {
      let head = 0;
      let sx = 0.0;
      let sy = 0.0;
      let weight = 0.0;
      store<i32>(room, start);
      store<u8>(marks + <usize>start, 2);
      while (head < tail && tail < most) {
        const i = load<i32>(room + (<usize>head << 2));
        const y = i / w;
        const x = i - y * w;
        const dx = <f64>(x - x0);
        const dy = <f64>(y - y0);
        const v = <f64>floatA(a + (<usize>i << 2));
        head++;
        sx += v * dx;
        sy += v * dy;
        sxx += v * dx * dx;
        sxy += v * dx * dy;
        syy += v * dy * dy;
        weight += v;
        const low = min(h - 1, y + 1);
        for (let ny = max(0, y - 1); ny <= low; ny++) {
          const from = ny * w + x - 1;
          let bits = freeNeighbours(a, marks, from, x, w, floor);
          for (; bits != 0; bits &= bits - 1) {
            const j = from + ctz(bits);
            if (load<u8>(marks + <usize>j) != 0) {
              meets = true;
              continue;
            }
            store<u8>(marks + <usize>j, 2);
            store<i32>(room + (<usize>tail << 2), j);
            tail++;
          }
        }
      }
      for (let q = 0; q < tail; q++) store<u8>(marks + <usize>load<i32>(room + (<usize>q << 2)), 1);
      mx = sx / weight;
      my = sy / weight;
      sxx = sxx / weight - mx * mx;
      sxy = sxy / weight - mx * my;
      syy = syy / weight - my * my;
    }
    store<f64>(list, around(a, w, h, x0, y0, room));
    store<f64>(list, <f64>tail, 8);
    store<f64>(list, <f64>x0 + mx, 16);
    store<f64>(list, <f64>y0 + my, 24);
    store<f64>(list, sxx, 32);
    store<f64>(list, sxy, 40);
    store<f64>(list, syy, 48);
    store<f64>(list, meets ? 1 : 0, 56);
  }
}

// The eighth and ninth of sixteen samples at offsets from each place of a list, two floats each at `out`; four places
// at a time, sorted by merging odd and even halves. `room` holds sixteen vectors.
export function ringMedians(a: usize, places: usize, count: i32, offsets: usize, room: usize, out: usize): void {
  for (let k = 0; k < count; k += 4, places += 16, out += 32) {
    for (let l: usize = 0; l < 16; l += 4) {
      const from = a + (<usize>load<i32>(places + l) << 2);
      for (let i: usize = 0; i < 16; i++) store<f32>(room + (i << 4) + l, floatA(from + (<usize>load<i32>(offsets +
        (i << 2)) << 2)));
    }
    for (let p = 1; p < 16; p <<= 1) {
      for (let d = p; d > 0; d >>= 1) {
        for (let j = d & (p - 1); j + d < 16; j += 2 * d) {
          for (let i = j; i < j + d && i + d < 16; i++) {
            if (i / (2 * p) != (i + d) / (2 * p)) continue;
            const q = room + (<usize>i << 4);
            const r = q + (<usize>d << 4);
            const u = v128.load(q);
            const v = v128.load(r);
            v128.store(q, f32x4.pmin(u, v));
            v128.store(r, f32x4.pmax(u, v));
          }
        }
      }
    }
    const low = v128.load(room, 112);
    const high = v128.load(room, 128);
    v128.store(out, v128.shuffle<f32>(low, high, 0, 4, 1, 5));
    v128.store(out, v128.shuffle<f32>(low, high, 2, 6, 3, 7), 16);
  }
}
