// Gaussian-weighted moments of stars: a list of them, each with what is known and what was found in 32 doubles.
import { floatA, loadA } from "./planes.as";
import { ROWS, weighInside } from "./moment_inside.as";
import {
  across, covered, CUT, dx, dy, falloff, mxx, mxy, myy, peak, shareCovered, sum, takeSums, weight2, weight2Flux,
} from "./moment_sums.as";

// Share of pixels at distances v that lies between two of them.
@inline function between(v: v128, low: f32, high: f32): v128 {
  const half = f32x4.splat(0.5);
  const one = f32x4.splat(1);
  const zero = f32x4.splat(0);
  const a = f32x4.pmax(zero, f32x4.pmin(one, f32x4.sub(f32x4.add(v, half), f32x4.splat(low))));
  return f32x4.mul(a, f32x4.pmax(zero, f32x4.pmin(one, f32x4.sub(f32x4.splat(high), f32x4.sub(v, half)))));
}

// Four samples of a row, NaN beyond its end.
@inline function four(p: usize, x: i32, w: i32): v128 {
  if (x + 4 <= w) return loadA(p);
  let v = f32x4.replace_lane(f32x4.splat(NaN), 0, floatA(p));
  if (x + 1 < w) v = f32x4.replace_lane(v, 1, floatA(p + 4));
  if (x + 2 < w) v = f32x4.replace_lane(v, 2, floatA(p + 8));
  return v;
}

// One pass under the weight (xx, xy, yy) at (x0, y0). Near a border, if `even`, only pixels whose opposite is in the
// frame count. A weight along the axes is the product of a factor a column, in `room`, and one a row.
function weigh(
  a: usize, w: i32, h: i32, parity: i32, x0: f64, y0: f64, xx: f64, xy: f64, yy: f64, background: f64, room: usize,
  even: bool,
): void {
  const det = xx * yy - xy * xy;
  const ixx = yy / det;
  const ixy = -xy / det;
  const iyy = xx / det;
  const ry = sqrt(CUT * yy);
  // Rows of one length along the ellipse's own slant; what lies outside it is masked.
  const slant = xy / yy;
  const chord = sqrt(CUT * det / yy);
  const straight = xy == 0;
  // Mirror images of the frame's borders, as distances: between them a pixel's opposite is in the frame, on them part
  // of it.
  const x1 = even ? x0 - (<f64>w - 0.5) : -1e6;
  const x2 = even ? x0 + 0.5 : 1e6;
  const y1 = even ? y0 - (<f64>h - 0.5) : -1e6;
  const y2 = even ? y0 + 0.5 : 1e6;
  const top = <i32>max(max(0, ceil(y0 - ry)), ceil(y0 + y1 - 0.5));
  const bottom = <i32>min(min(<f64>(h - 1), floor(y0 + ry)), floor(y0 + y2 + 0.5));
  const first = max(0, ceil(x0 + x1 - 0.5));
  const last = min(<f64>(w - 1), floor(x0 + x2 + 0.5));
  const near = x1 > -chord - ry || x2 < chord + ry || y1 > -ry || y2 < ry;
  // The integral of the weight within the cut, a rectangle or an ellipse; on a mosaic every second pixel counts.
  const whole = (straight ? 0.9946076967722628 : 0.9888910034617577) * 6.283185307179586 * sqrt(det);
  if (parity < 0 && !near && top <= bottom && bottom - top < ROWS && xy * xy <= 0.25 * xx * yy) {
    const rx = sqrt(CUT * xx);
    const begin = <i32>max(0, ceil(x0 - rx));
    const stop = <i32>min(<f64>(w - 1), floor(x0 + rx));
    if (begin <= stop && begin + ((stop - begin + 4) & ~3) <= w &&
      weighInside(a, w, x0, y0, ixx, straight ? 0 : ixy, iyy, begin, stop, top, bottom, background, room)) {
      shareCovered(whole);
      return;
    }
  }
  const zero = f32x4.splat(0);
  const sky = f32x4.splat(<f32>background);
  const cut = f32x4.splat(<f32>CUT);
  const kxx = f32x4.splat(<f32>ixx);
  const lanes = f32x4(0, 1, 2, 3);
  const fours = f32x4.splat(4);
  let s = zero;
  let sx = zero;
  let sy = zero;
  let sxx = zero;
  let sxy = zero;
  let syy = zero;
  let s1 = zero;
  let s2 = zero;
  let s2i = zero;
  let highestLanes = zero;
  let left = <i32>max(first, ceil(x0 - chord));
  let right = <i32>min(last, floor(x0 + chord));
  if (straight) {
    let vx = f32x4.add(f32x4.splat(<f32>(<f64>left - x0)), lanes);
    let q = room;
    const limit = f32x4.splat(<f32>(<f64>right - x0 + 0.25));
    for (let x = left; x <= right; x += 4, q += 16) {
      let g = v128.and(falloff(f32x4.mul(f32x4.mul(kxx, vx), vx)), f32x4.le(vx, limit));
      if (near) g = f32x4.mul(g, between(vx, <f32>x1, <f32>x2));
      v128.store(q, g);
      vx = f32x4.add(vx, fours);
    }
  }
  for (let y = top; y <= bottom; y++) {
    const ey = <f64>y - y0;
    if (!straight) {
      const middle = x0 + slant * ey;
      left = <i32>max(first, ceil(middle - chord));
      right = <i32>min(last, floor(middle + chord));
    }
    if (left > right) continue;
    const vy = f32x4.splat(<f32>ey);
    const kc = f32x4.splat(<f32>(iyy * ey * ey));
    // On a mosaic every second lane counts.
    let odd = i32x4.splat(-1);
    if (parity >= 0) odd = ((left + y) & 1) == parity ? i32x4(-1, 0, -1, 0) : i32x4(0, -1, 0, -1);
    let vx = f32x4.add(f32x4.splat(<f32>(<f64>left - x0)), lanes);
    let r = zero;
    let rx = zero;
    let rxx = zero;
    let p = a + (<usize>(y * w + left) << 2);
    if (straight) {
      let row = v128.and(falloff(kc), odd);
      if (near) row = f32x4.mul(row, between(vy, <f32>y1, <f32>y2));
      let q = room;
      for (let x = left; x <= right; x += 4, p += 16, q += 16) {
        let v = f32x4.sub(four(p, x, w), sky);
        const factor = v128.load(q);
        const known = v128.and(f32x4.eq(v, v), f32x4.ne(factor, zero));
        const g = v128.and(f32x4.mul(factor, row), known);
        v = v128.and(v, known);
        highestLanes = f32x4.pmax(highestLanes, v128.and(v, odd));
        const wv = f32x4.mul(g, v);
        const wx = f32x4.mul(wv, vx);
        r = f32x4.add(r, wv);
        rx = f32x4.add(rx, wx);
        rxx = f32x4.add(rxx, f32x4.mul(wx, vx));
        s1 = f32x4.add(s1, g);
        s2 = f32x4.add(s2, f32x4.mul(g, g));
        s2i = f32x4.add(s2i, f32x4.mul(g, wv));
        vx = f32x4.add(vx, fours);
      }
    } else {
      const kb = f32x4.splat(<f32>(2 * ixy * ey));
      const limit = f32x4.splat(<f32>(<f64>right - x0 + 0.25));
      for (let x = left; x <= right; x += 4, p += 16) {
        let v = f32x4.sub(four(p, x, w), sky);
        const t = f32x4.add(f32x4.mul(f32x4.add(f32x4.mul(kxx, vx), kb), vx), kc);
        const mask = v128.and(v128.and(f32x4.le(t, cut), f32x4.eq(v, v)), v128.and(f32x4.le(vx, limit), odd));
        let g = v128.and(falloff(t), mask);
        if (near) g = f32x4.mul(g, f32x4.mul(between(vx, <f32>x1, <f32>x2), between(vy, <f32>y1, <f32>y2)));
        v = v128.and(v, mask);
        highestLanes = f32x4.pmax(highestLanes, v);
        const wv = f32x4.mul(g, v);
        const wx = f32x4.mul(wv, vx);
        r = f32x4.add(r, wv);
        rx = f32x4.add(rx, wx);
        rxx = f32x4.add(rxx, f32x4.mul(wx, vx));
        s1 = f32x4.add(s1, g);
        s2 = f32x4.add(s2, f32x4.mul(g, g));
        s2i = f32x4.add(s2i, f32x4.mul(g, wv));
        vx = f32x4.add(vx, fours);
      }
    }
    const ry2 = f32x4.mul(r, vy);
    s = f32x4.add(s, r);
    sx = f32x4.add(sx, rx);
    sxx = f32x4.add(sxx, rxx);
    sy = f32x4.add(sy, ry2);
    sxy = f32x4.add(sxy, f32x4.mul(rx, vy));
    syy = f32x4.add(syy, f32x4.mul(ry2, vy));
  }
  takeSums(
    s, sx, sy, sxx, sxy, syy, s2i, highestLanes, across(s2), across(s1) * (parity < 0 ? 1 : 2) / whole,
  );
}

// The mixed moment of the weight for a star: its own; 0 where it is as good as round, because that is quicker and as
// true.
@inline function mixed(sxx: f64, sxy: f64, syy: f64): f64 {
  return sxy * sxy < 0.0025 * sxx * syy ? 0 : sxy;
}

// Weight for a star of moments (sxx, sxy, syy): its own, widened where the pixels are too coarse for it.
@inline function widening(sxx: f64, sxy: f64, syy: f64, resolved: f64): f64 {
  const d = (sxx - syy) / 2;
  const short = (sxx + syy) / 2 - sqrt(d * d + sxy * sxy);
  if (!(short < 2 * resolved)) return 0;
  return max(0, (short > 1.2 * resolved ? min(6 * resolved, 1 / (1 / resolved - 1 / short)) : 6 * resolved) - short);
}

let nxx: f64;
let nxy: f64;
let nyy: f64;

// The star's own moments from a pass under a weight: those about the weighted centroid, then M⁻¹ = M_weighted⁻¹ − W⁻¹.
// False where the star has none.
function adapt(xx: f64, xy: f64, yy: f64): bool {
  const oxx = mxx - dx * dx;
  const oxy = mxy - dx * dy;
  const oyy = myy - dy * dy;
  const observedDet = oxx * oyy - oxy * oxy;
  const weightDet = xx * yy - xy * xy;
  const axx = oyy / observedDet - yy / weightDet;
  const axy = -oxy / observedDet + xy / weightDet;
  const ayy = oxx / observedDet - xx / weightDet;
  const adaptedDet = axx * ayy - axy * axy;
  if (!(observedDet > 0)) return false;
  // Flatter than the weight: let it grow along with what was seen.
  nxx = 2 * oxx;
  nxy = 2 * oxy;
  nyy = 2 * oyy;
  if (axx > 0 && adaptedDet > 0) {
    nxx = ayy / adaptedDet;
    nxy = -axy / adaptedDet;
    nyy = axx / adaptedDet;
    // More than a factor of three in size at once overshoots on profiles with wings.
    const growth = sqrt((nxx * nyy - nxy * nxy) / weightDet);
    if (growth > 3) {
      const back = 3 / growth;
      nxx *= back;
      nxy *= back;
      nyy *= back;
    }
  }
  return true;
}

// task 0: one pass. 1: centre with the weight held. 2: adapt centre and ellipse, then one pass more. See moments.ts
// for the fields.
export function moments(
  a: usize, w: i32, h: i32, parity: i32, resolved: f64, list: usize, count: i32, room: usize,
): void {
  for (let k = 0; k < count; k++, list += 256) {
    const task = <i32>load<f64>(list);
    const startX = load<f64>(list, 8);
    const startY = load<f64>(list, 16);
    const background = load<f64>(list, 48);
    const maximumShift = load<f64>(list, 56);
    const tolerance = load<f64>(list, 64);
    const minimumVariance = load<f64>(list, 80);
    const maximumVariance = load<f64>(list, 88);
    const iterations = <i32>load<f64>(list, 96);
    const minimumSignal = load<f64>(list, 72);
    let x = startX;
    let y = startY;
    let sxx = load<f64>(list, 24);
    let sxy = load<f64>(list, 32);
    let syy = load<f64>(list, 40);
    let add = widening(sxx, sxy, syy, resolved);
    let converged = 0.0;
    for (let iteration = 0; iteration < iterations; iteration++) {
      const xx = sxx + add;
      const yy = syy + add;
      const xy = mixed(sxx, sxy, syy);
      weigh(a, w, h, parity, x, y, xx, xy, yy, background, room, task != 2);
      if (task == 0) {
        converged = 1;
        break;
      }
      if (!(sum > 0) || !(sum > minimumSignal * sqrt(weight2))) break;
      const limit = 0.7 * sqrt(xx + yy);
      const mx = max(-limit, min(limit, 2 * dx));
      const my = max(-limit, min(limit, 2 * dy));
      x += mx;
      y += my;
      const off = (x - startX) * (x - startX) + (y - startY) * (y - startY);
      if (!(off <= maximumShift * maximumShift)) break;
      if (task == 1) {
        if (mx * mx + my * my < tolerance * tolerance || iteration == iterations - 1) {
          converged = 1;
          break;
        }
        continue;
      }
      if (!adapt(xx, xy, yy)) break;
      const d = (nxx - nyy) / 2;
      const middle = (nxx + nyy) / 2;
      const root = sqrt(d * d + nxy * nxy);
      if (!(middle - root >= minimumVariance && middle + root <= maximumVariance)) break;
      const change = (abs(nxx - sxx) + abs(nyy - syy) + 2 * abs(nxy - sxy)) / (nxx + nyy);
      sxx = nxx;
      sxy = nxy;
      syy = nyy;
      add = widening(sxx, sxy, syy, resolved);
      if ((change < 4e-3 * (1 - root / middle) && mx * mx + my * my < 1e-5 * (nxx + nyy)) ||
        iteration == iterations - 1) {
        converged = 1;
        // The weight is the last step's: weigh once more with it for flux and peak.
        weigh(a, w, h, parity, x, y, sxx + add, mixed(sxx, sxy, syy), syy + add, background, room, false);
        break;
      }
    }
    store<f64>(list, x, 8);
    store<f64>(list, y, 16);
    store<f64>(list, sxx, 24);
    store<f64>(list, sxy, 32);
    store<f64>(list, syy, 40);
    store<f64>(list, converged, 104);
    store<f64>(list, sum, 112);
    store<f64>(list, weight2, 120);
    store<f64>(list, weight2Flux, 128);
    store<f64>(list, peak, 136);
    store<f64>(list, covered, 144);
    store<f64>(list, sxx + add, 152);
    store<f64>(list, mixed(sxx, sxy, syy), 160);
    store<f64>(list, syy + add, 168);
  }
}
