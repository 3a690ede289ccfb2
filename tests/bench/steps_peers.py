"""Times one operation in scikit-image, scipy and OpenCV on three planes, for steps.ts.

    python steps_peers.py FOLDER WIDTH HEIGHT OPERATION [NUMBER]

Prints CPU seconds of each library as JSON, best of three. numpy 1.24+, scipy 1.10+, scikit-image 0.19+, OpenCV 4.
"""
import json
import sys
import time

import cv2
import numpy as np
import scipy.ndimage as ndi
from scipy import fft
from skimage import exposure, filters, morphology, restoration

folder, width, height, operation = sys.argv[1], int(sys.argv[2]), int(sys.argv[3]), sys.argv[4]
number = float(sys.argv[5]) if len(sys.argv) > 5 else 0.0
planes = [np.fromfile(f"{folder}/plane-{c}.f32", dtype=np.float32).reshape(height, width) for c in range(3)]
shown = [np.clip((p - 900) / 5000, 0, 1) for p in planes]


def disc(radius):
    r = int(radius)
    y, x = np.mgrid[-r:r + 1, -r:r + 1]
    return (x * x + y * y <= radius * radius).astype(np.uint8)


def gaussian(s):
    size = 2 * int(np.ceil(3.2 * s)) + 1
    return {
        "scipy": lambda p: ndi.gaussian_filter(p, s, mode="mirror", truncate=3.2),
        "scikit-image": lambda p: filters.gaussian(p, s, mode="mirror", truncate=3.2, preserve_range=True),
        "OpenCV": lambda p: cv2.GaussianBlur(p, (size, size), s, borderType=cv2.BORDER_REFLECT_101),
    }, planes


def morph(name, radius):
    d = disc(radius)
    grey = {"erosion": ndi.grey_erosion, "dilation": ndi.grey_dilation, "opening": ndi.grey_opening}[name]
    code = {"erosion": cv2.MORPH_ERODE, "dilation": cv2.MORPH_DILATE, "opening": cv2.MORPH_OPEN}[name]
    ski = getattr(morphology, name)
    return {
        "scipy": lambda p: grey(p, footprint=d),
        "scikit-image": lambda p: ski(p, d),
        "OpenCV": lambda p: cv2.morphologyEx(p, code, d),
    }, planes


def equalise(_):
    clahe = cv2.createCLAHE(2.0, (8, 8))
    wide = [(p * 65535).astype(np.uint16) for p in shown]
    return {
        "scikit-image": lambda i: exposure.equalize_adapthist(shown[i], clip_limit=0.01),
        "OpenCV": lambda i: clahe.apply(wide[i]),
    }, range(3)


def lucy(_):
    y, x = np.mgrid[-10:11, -10:11]
    spread = np.exp(-(x * x + y * y) * 4 * np.log(2) / 9) * (x * x + y * y <= 100)
    spread = (spread / spread.sum()).astype(np.float32)
    kernel = np.zeros((height, width), np.float32)
    kernel[:21, :21] = spread
    of = fft.rfft2(np.roll(kernel, (-10, -10), (0, 1)))
    blur = lambda p: fft.irfft2(fft.rfft2(p, workers=2) * of, p.shape, workers=2)

    def rounds(p):
        u = p.copy()
        for _ in range(10):
            u *= blur(p / np.maximum(blur(u), 1e-6))
        return u

    return {
        "scipy.fft": rounds,
        "scikit-image": lambda p: restoration.richardson_lucy(p / 65535, spread, 10, clip=False),
    }, planes


def match(_):
    return {"scikit-image": lambda i: exposure.match_histograms(shown[i], shown[(i + 1) % 3])}, range(3)


cv2.setNumThreads(2)
made = {
    "gaussian": gaussian,
    "erosion": lambda r: morph("erosion", r),
    "dilation": lambda r: morph("dilation", r),
    "opening": lambda r: morph("opening", r),
    "equalise": equalise,
    "match": match,
    "lucy": lucy,
}[operation](number)
found = {}
for library, run in made[0].items():
    best = float("inf")
    for _ in range(3):
        start = time.process_time()
        for each in made[1]:
            run(each)
        best = min(best, time.process_time() - start)
    found[library] = round(best, 4)
print(json.dumps(found))
