"""Movement by OpenCV, and flicker taken out by NumPy, for pictures of a film.

    lapse_reference.py FILE WIDTH HEIGHT TOP SIGMA

FILE has the luma of all pictures, one behind the other. Prints JSON:

- `affines`: for each picture the map of points of the first one to points of it, row by row: phase
  correlation of gradients with the one before, then the enhanced correlation coefficient with the first;
- `means`: mean luma of the rows from TOP on, once the inverse cumulative histograms of these rows were
  averaged over a Gaussian window of SIGMA pictures (Delon 2006).
"""

import json
import sys

import cv2
import numpy


def edges(picture):
    """Strength of the gradient: light that comes and goes changes it least."""
    smooth = cv2.GaussianBlur(picture.astype(numpy.float32), (0, 0), 1)
    across, down = (cv2.Sobel(smooth, cv2.CV_32F, *way) for way in ((1, 0), (0, 1)))
    return numpy.log1p(cv2.magnitude(across, down))


def ecc(template, picture, start):
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 100, 1e-5)
    warp = start.astype(numpy.float32)
    try:
        score, warp = cv2.findTransformECC(
            template, picture, warp, cv2.MOTION_EUCLIDEAN, criteria, None, 5
        )
    except cv2.error:
        return 0.0, start
    return score, warp.astype(float)


def affines(pictures):
    pictures = [edges(picture) for picture in pictures]
    window = cv2.createHanningWindow(pictures[0].shape[::-1], cv2.CV_32F)
    found = [numpy.eye(2, 3)]
    for before, picture in zip(pictures, pictures[1:]):
        (x, y), _ = cv2.phaseCorrelate(before, picture, window)
        start = found[-1] + numpy.array([[0, 0, x], [0, 0, y]])
        tries = (ecc(pictures[0], picture, start) for start in (start, found[-1]))
        found.append(max(tries, key=lambda pair: pair[0])[1])
    return [list(map(float, affine.reshape(-1))) for affine in found]


def means(pictures, top, sigma):
    rows = [numpy.sort(picture[top:].reshape(-1)).astype(float) for picture in pictures]
    rows = numpy.array(rows)
    places = numpy.arange(len(rows))
    out = []
    for place in places:
        weights = numpy.exp(-((places - place) ** 2) / (2 * sigma**2))
        # What stands k-th in this picture becomes the mean of what stands k-th in those around it.
        out.append(float((weights @ rows / weights.sum()).mean()))
    return out


path, width, height, top, sigma = sys.argv[1:]
flat = numpy.fromfile(path, numpy.uint8)
pictures = list(flat.reshape(-1, int(height), int(width)))
json.dump(
    {"affines": affines(pictures), "means": means(pictures, int(top), float(sigma))},
    sys.stdout,
)
