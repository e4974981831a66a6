import numpy as np
import pytest

from campledger.errors import StoreDamagedError
from campledger.store import codec


def same(a, b):
    return np.array_equal(np.asarray(a).view(np.int64), np.asarray(b).view(np.int64))


RNG = np.random.default_rng(1)
NOISE = 12.8 + 0.01 * RNG.standard_normal(3000)


@pytest.mark.parametrize(
    ("number", "values"),
    [
        (codec.EMPTY, np.zeros(0)),
        (codec.CONSTANT, np.full(100, 3.25)),
        (codec.DECIMAL, np.round(NOISE, 3)),
        (codec.DECIMAL, np.round(NOISE * 1e6, 0)),
        (codec.DECIMAL32, np.float64(np.float32(np.round(NOISE, 3)))),
        (codec.STEP, np.rint(NOISE / 0.0045776367) * 0.0045776367),
        (codec.STEP, np.rint(NOISE / (150 / 2**15)) * (150 / 2**15)),
        (codec.FLOAT32, np.float64(np.float32(np.exp(NOISE * 700 - 8960)))),
        (codec.FLOAT64, NOISE * np.pi),
        (codec.FLOAT64, np.array([1.0, np.inf, -np.inf, 1e300, 5e-324])),
    ],
)
def test_every_codec_gives_every_bit_back(number, values):
    got, blob = codec.encode(values)
    assert got == number
    assert same(codec.decode(blob), values)


def test_missing_values_come_back_where_they_were():
    values = np.round(NOISE, 3)
    values[[0, 5, 6, 7, 2999]] = np.nan
    assert same(codec.decode(codec.encode(values)[1]), values)
    lost = np.full(50, np.nan)
    assert same(codec.decode(codec.encode(lost)[1]), lost)


def test_plain_has_one_zero_and_one_missing():
    out = codec.plain(np.array([-0.0, np.nan, 1.0]))
    assert not np.signbit(out[0])
    assert np.isnan(out[1])


def test_quantised_noise_takes_about_its_entropy():
    """Size against the entropy of the quantised normal law, worked out here."""
    values = np.round(12.8 + 0.002 * RNG.standard_normal(86400), 3)
    steps = np.unique(values, return_counts=True)[1] / len(values)
    entropy = -(steps * np.log2(steps)).sum() / 8
    size = len(codec.encode(values)[1]) / len(values)
    assert size < 1.05 * entropy + 0.01  # tables and padding of the coder


def test_a_regular_axis_takes_a_few_bytes():
    axis = 1.7e9 + np.arange(3600.0)
    blob = codec.encode_axis(axis)
    assert len(blob) < 30
    assert same(codec.decode(blob), axis)


def test_an_axis_with_jitter_comes_back():
    axis = np.round(np.arange(3600.0) + 0.004 * RNG.random(3600), 6)
    assert same(codec.decode(codec.encode_axis(axis)), axis)


def test_an_unknown_codec_is_refused():
    blob = bytearray(codec.encode(np.zeros(3))[1])
    blob[0] = 99
    with pytest.raises(StoreDamagedError, match="codec is 99"):
        codec.decode(bytes(blob))
