"""Smoothing against SciPy's Gaussian filter."""

import numpy as np
import pytest
from scipy import ndimage

from truelobe.pixels import blurred

pytestmark = pytest.mark.opencv


@pytest.mark.parametrize("shape", [(40, 31), (40, 31, 3)])
@pytest.mark.parametrize("sd", [0.7, 1.5, 4.0])
def test_is_scipys_gaussian_filter_layer_by_layer(shape, sd):
    layers = np.random.default_rng(2).random(shape, dtype=np.float32)
    apart = blurred(layers, sd) - ndimage.gaussian_filter(layers, (sd, sd, 0)[: len(shape)])
    assert np.abs(apart).max() < 1e-5  # values below one in single precision, some hundred of them summed
