import numpy as np
import pytest

from campledger.errors import StoreDamagedError
from campledger.store import Rows
from campledger.store import blocks as bk

HEAD = bk.Header(
    kind=bk.VALUES,
    sampling=1,
    rows=3,
    group=77,
    recorder="Demo van",
    number=None,
    ordinal=2,
    channel="current_house_a",
    first=1.5,
    last=3.5,
)


def test_a_blob_says_what_it_is():
    _, blob = bk.pack_values(HEAD, np.array([1.0, np.nan, 2.0]))
    assert bk.unpack(blob)[0] == HEAD
    assert np.array_equal(bk.read_array(blob), [1.0, np.nan, 2.0], equal_nan=True)


@pytest.mark.parametrize("at", [0, 5, 20, 50, -1])
def test_any_changed_byte_is_seen(at):
    blob = bytearray(bk.pack_values(HEAD, np.arange(3.0))[1])
    blob[at] ^= 0x40
    assert not bk.is_whole(bytes(blob))
    with pytest.raises(StoreDamagedError, match="check sum"):
        bk.unpack(bytes(blob))


def test_a_window_gives_its_rows_back_bit_for_bit():
    rng = np.random.default_rng(1)
    uptime = 86400.123456 + np.arange(10) + np.round(0.01 * rng.random(10), 6)
    rows = (
        Rows(
            uptime=uptime,
            wall=1.7e9 + uptime,
            values={
                "current_house_a": np.round(rng.standard_normal(10), 3),
                "voltage_house_v": np.rint(rng.standard_normal(10) * 99) * 0.0045776367,
                "temp_air_c": np.full(10, np.nan),
            },
        ),
        Rows(uptime=uptime[:1], values={"temp_house_c": np.array([20.0625])}),
    )
    _, back = bk.unpack_window(bk.pack_window(HEAD, rows))
    assert len(back) == 2
    for old, new in zip(rows, back, strict=True):
        assert np.array_equal(old.uptime, new.uptime)
        for name, values in old.values.items():
            assert np.array_equal(values, new.values[name], equal_nan=True)
    assert back[1].wall is None
    assert np.allclose(back[0].wall, rows[0].wall, rtol=0, atol=1e-6)  # kept to 1 us


def test_a_window_of_twelve_channels_is_small():
    rng = np.random.default_rng(2)
    values = {f"temp_x{k}_c": np.round(rng.normal(20, 0.1, 10), 3) for k in range(12)}
    blob = bk.pack_window(HEAD, (Rows(uptime=np.arange(10.0), values=values),))
    assert len(blob) < 600  # 120 values
