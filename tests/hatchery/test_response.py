"""The camera's arithmetic against published values and other implementations."""

import io

import colour
import numpy as np
import pytest
import torch
from PIL import Image
from scipy.fft import dctn

from triage.hatchery.response import _tables, _transform, compress, to_linear, to_srgb


def test_srgb_curve_at_published_points():
    """IEC 61966-2-1:1999 via the colour-science documentation: OETF(0.18) = 0.4613561."""
    assert float(to_srgb(torch.tensor(0.18, dtype=torch.float64))) == pytest.approx(0.4613561, abs=1e-7)
    assert float(to_linear(torch.tensor(0.4613561295, dtype=torch.float64))) == pytest.approx(0.18, abs=1e-7)


def test_srgb_curve_against_colour_science():
    linear = np.linspace(0, 1, 101)
    assert to_srgb(torch.from_numpy(linear)).numpy() == pytest.approx(
        colour.models.eotf_inverse_sRGB(linear), abs=2e-6  # the standard's rounded break point
    )


def test_cosine_transform_against_scipy():
    blocks = torch.randn(8, 8, 5, generator=torch.Generator().manual_seed(1))
    matrix, _ = _tables("cpu")
    mine = _transform(matrix, _transform(matrix, blocks)).numpy()
    theirs = dctn(blocks.numpy(), axes=(0, 1), norm="ortho")
    assert mine == pytest.approx(theirs, abs=1e-5)


@pytest.mark.parametrize("quality", [30, 60, 90])
def test_compression_against_a_jpeg_encoder(quality):
    """Pillow's JPEG (libjpeg) at the same quality with 4:2:0 chroma: the loss is the same in size and in place."""
    row, column = np.mgrid[0:64, 0:96] / 32
    rng = np.random.default_rng(2)
    rgb = np.stack([np.sin(row * 3 + column), np.cos(column * 2), np.sin(row * column)], -1) * 0.35 + 0.5
    pixels = (np.clip(rgb + rng.normal(0, 0.04, rgb.shape), 0, 1) * 255).round().astype(np.uint8)
    buffer = io.BytesIO()
    Image.fromarray(pixels).save(buffer, "JPEG", quality=quality, subsampling=2)
    theirs = np.asarray(Image.open(buffer)).astype(float) / 255
    original = pixels / 255
    image = torch.from_numpy(original).permute(2, 0, 1)[None].float()
    mine = compress(image, torch.tensor([float(quality)]))[0].permute(1, 2, 0).double().numpy()
    loss = np.abs(theirs - original).mean()
    assert np.abs(mine - original).mean() == pytest.approx(loss, rel=0.1)
    assert np.abs(mine - theirs).mean() < 0.35 * loss
