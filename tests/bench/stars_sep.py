"""The same frame through SEP, for tests/bench/stars.ts: stars_sep.py FRAME WIDTH HEIGHT TRUTH ROUNDS

FRAME: raw little-endian float32. TRUTH: JSON list of {x, y, snr, isolated}. Tries thresholds and numbers of pixels and keeps, of
those at least as pure as the number on standard input asks for, the most complete. Prints one JSON line: the best processor
seconds of the rounds for that setting, one thread, with sky, subtraction and extraction (which measures shapes, too).
"""
import json
import sys
import time

import numpy as np
import sep

frame, width, height, truth, rounds = sys.argv[1:6]
asked = float(sys.stdin.readline())
image = np.fromfile(frame, "<f4").reshape(int(height), int(width))
stars = json.load(open(truth))
sx, sy = np.array([s["x"] for s in stars]), np.array([s["y"] for s in stars])
due = np.array([s["isolated"] and s["snr"] >= 7 for s in stars])


def extract(threshold, least):
    sky = sep.Background(image, bw=64, bh=64)
    return sep.extract(image - sky.back(), threshold, err=sky.globalrms, minarea=least)


def judge(found):
    d2 = (found["x"][:, None] - sx) ** 2 + (found["y"][:, None] - sy) ** 2
    near = d2 < 4
    return float(near.any(0)[due].mean()), float(near.any(1).mean())


sep.set_extract_pixstack(1000000)
best = None
for least in (3, 5):
    for threshold in (0.8, 0.9, 1.0, 1.1, 1.2, 1.3, 1.4, 1.5, 1.7, 2.0, 2.5):
        found = extract(threshold, least)
        complete, pure = judge(found)
        if pure >= asked and (best is None or complete > best["complete"]):
            best = {"complete": complete, "pure": pure, "found": len(found), "threshold": threshold, "least": least}
seconds = []
for _ in range(int(rounds)):
    start = time.process_time()
    extract(best["threshold"], best["least"])
    seconds.append(time.process_time() - start)
print(json.dumps({**best, "seconds": min(seconds), "version": sep.__version__}))
