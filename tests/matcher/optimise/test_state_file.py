"""Saved states of a search."""

from __future__ import annotations

import io
import pickle
import zipfile

import numpy as np
import pytest

from matcher.optimise import state_from_bytes, state_to_bytes
from shared.errors import ParameterError

STATE = {
    "name": "x",
    "count": np.int64(3),
    "loss": float("inf"),
    "tiny": 5e-324,
    "nothing": None,
    "big": 2**127 + 1,
    "inner": {"matrix": np.arange(6.0).reshape(2, 3) / 7.0, "mask": np.array([True, False])},
    "empty": np.empty((0, 4)),
}


def test_a_state_comes_back_to_the_bit() -> None:
    """Arrays keep type, shape and value; numbers of any size keep theirs."""
    state = state_from_bytes(state_to_bytes(STATE))
    assert {key: state[key] for key in ("name", "loss", "tiny", "nothing", "big")} == {
        key: STATE[key] for key in ("name", "loss", "tiny", "nothing", "big")
    }
    assert state["count"] == 3
    np.testing.assert_array_equal(state["inner"]["matrix"], np.arange(6.0).reshape(2, 3) / 7.0)
    assert state["inner"]["mask"].dtype == np.bool_
    assert state["empty"].shape == (0, 4)


@pytest.mark.parametrize("n_kept", [0, 10, 100, -1], ids=["empty", "10", "100", "all but one"])
def test_cut_bytes_are_refused(n_kept: int) -> None:
    """A damaged checkpoint is noticed."""
    with pytest.raises(ParameterError, match="Use an older checkpoint"):
        state_from_bytes(state_to_bytes(STATE)[:n_kept])


def test_changed_bytes_are_refused() -> None:
    """A flipped bit inside an array doesn't become another number."""
    data = bytearray(state_to_bytes(STATE))
    place = bytes(data).index(np.float64(5.0 / 7.0).tobytes())
    data[place] ^= 1
    with pytest.raises(ParameterError, match="CRC"):
        state_from_bytes(bytes(data))


def test_a_pickled_array_is_refused() -> None:
    """Reading a checkpoint never executes what somebody put into it."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        archive.writestr("state.json", '{"array": 0}')
        member = io.BytesIO()
        np.lib.format.write_array(member, np.array([print], dtype=object), allow_pickle=True)
        archive.writestr("0.npy", member.getvalue())
    with pytest.raises(ParameterError, match="allow_pickle"):
        state_from_bytes(buffer.getvalue())
    with pytest.raises(ParameterError, match="can't be read"):
        state_from_bytes(pickle.dumps(STATE))


def test_a_state_without_fields_is_refused() -> None:
    """A list, or a single array, isn't a state."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        archive.writestr("state.json", "[1, 2]")
    with pytest.raises(ParameterError, match="holds no fields"):
        state_from_bytes(buffer.getvalue())
