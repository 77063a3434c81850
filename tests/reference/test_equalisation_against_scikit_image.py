"""Local contrast against scikit-image's histogram equalisations."""

import numpy as np
import pytest
import skimage.data
from skimage.exposure import equalize_adapthist, equalize_hist

import workbench as wb
from workbench.acquisition import Tone
from workbench.operations._equalisation import LEVELS, limited_mapping
from workbench.operations.base import Frame
from workbench.operations.detail import LocalContrast


@pytest.fixture(scope="module")
def picture():
    """A photograph that scikit-image carries (brick, CC0), with its tones drawn together."""
    gray = skimage.data.brick().astype(np.float32)[:384, :384] / 255
    return np.ascontiguousarray(0.3 + 0.3 * gray)


def test_without_a_limit_a_mapping_is_plain_histogram_equalisation(picture):
    counts = np.bincount((picture * LEVELS).astype(int).ravel(), minlength=LEVELS)
    ours = np.interp(picture, np.linspace(0, 1, LEVELS + 1), limited_mapping(counts, 0.0, 1e6, even=0.0))
    theirs = equalize_hist(picture, nbins=LEVELS)
    # Theirs is read at the middles of bins, ours at their edges: half a bin's share lies between.
    assert np.abs(ours - theirs).max() < 0.75 * counts.max() / counts.sum()


def test_with_a_limit_it_does_what_their_adaptive_equalisation_does(picture):
    """Theirs stretches the picture to its full range first and quantises it: shapes are compared, not values."""
    low, high = float(picture.min()), float(picture.max())
    full = (picture - low) / (high - low)
    theirs = equalize_adapthist(full, kernel_size=96, clip_limit=2 / 256, nbins=256)
    operation = LocalContrast(cells=4, limit=2.0, protect=0, amount=1)
    frame = Frame(full[None], Tone.DISPLAY)
    facts = operation.measure(frame).model_copy(update={"sky": 0.0})
    nodes = np.linspace(0, 1, LEVELS + 1)
    maps = np.empty_like(facts.maps)
    for i, j in np.ndindex(maps.shape[:2]):
        cell = full[i * 96 : (i + 1) * 96, j * 96 : (j + 1) * 96]
        counts = np.bincount(np.minimum((cell * LEVELS).astype(int), LEVELS - 1).ravel(), minlength=LEVELS)
        maps[i, j] = limited_mapping(counts, 0.0, 2.0) - nodes
    frozen = facts.model_copy(update={"maps": maps})
    stack = wb.Stack.from_array(full[:, :, None], tone=Tone.DISPLAY)
    ours = wb.Recipe([operation]).run(stack, facts={0: frozen}).image.pixels[:, :, 0]
    inner = slice(48, -48), slice(48, -48)
    assert np.corrcoef(ours[inner].ravel(), theirs[inner].ravel())[0, 1] > 0.98
    # What either changes goes the same way.
    changes = [(v - full)[inner].ravel() - (v - full)[inner].mean() for v in (ours, theirs)]
    assert np.corrcoef(*changes)[0, 1] > 0.7
