"""What astropy and OpenCV find in the files of mutants.ts, compared with what was read. Usage: mutants_peers.py FOLDER"""

import json
import os
import resource
import signal
import sys
import warnings
from pathlib import Path

import cv2
import numpy as np
from astropy.io import fits

warnings.simplefilter("ignore")
# the readers compared with have no bound of their own: what takes longer or more counts as not read
resource.setrlimit(resource.RLIMIT_AS, (4 << 30, 4 << 30))


def read_fits(path):
    """Samples of the first image, planes first, as astropy scales them; None when astropy does not read it."""
    try:
        with fits.open(path, memmap=False) as hdus:
            for hdu in hdus:
                if getattr(hdu, "is_image", False) and hdu.header.get("NAXIS", 0) >= 2 and hdu.data is not None:
                    data = np.asarray(hdu.data)
                    return data.reshape(-1, *data.shape[-2:])
    except Exception:
        return None
    return None


def read_png(path):
    """Samples in 0 .. 1, planes first, colour in the order R, G, B, without alpha."""
    data = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    if data is None:
        return None
    top = 65535 if data.dtype == np.uint16 else 255
    if data.ndim == 2:
        return data[None] / top
    return np.moveaxis(data[..., 2::-1], -1, 0) / top


folder = Path(sys.argv[1])


def verdict_of(outcome):
    """How what was read compares with what the other reader finds."""
    kind, name, shape = outcome["kind"], outcome["name"], outcome["shape"]
    theirs = (read_fits if kind == "fits" else read_png)(folder / name)
    if theirs is None:
        return unread(shape)
    if shape is None:
        return "refused by us alone"
    width, height, planes = shape
    ours = np.stack([np.fromfile(folder / f"{name}.{p}.f32", "<f4").reshape(height, width) for p in range(planes)])
    with np.errstate(all="ignore"):
        same = theirs.shape == ours.shape and np.allclose(
            ours, theirs.astype("f4"), rtol=2e-7, atol=0, equal_nan=True
        )
    return "equal" if same else "different"


def unread(shape):
    return "refused by both" if shape is None else "read by us alone"


def in_own_process(outcome):
    """The same, where the other reader may crash, hang or run out of memory: that counts as not read."""
    receiver, sender = os.pipe()
    child = os.fork()
    if child == 0:
        signal.alarm(5)
        os.write(sender, verdict_of(outcome).encode())
        os._exit(0)
    os.close(sender)
    said = os.read(receiver, 100).decode()
    os.close(receiver)
    os.waitpid(child, 0)
    return said or unread(outcome["shape"])


counts = {}
for outcome in json.loads((folder / "outcomes.json").read_text()):
    if outcome["kind"] not in ("fits", "png"):
        continue
    verdict = in_own_process(outcome)
    key = outcome["kind"], verdict
    counts[key] = counts.get(key, 0) + 1
    if verdict in ("different", "read by us alone"):
        print(f"{outcome['name']}: {verdict}")
for (kind, verdict), count in sorted(counts.items()):
    print(f"{kind}: {count} {verdict}")
