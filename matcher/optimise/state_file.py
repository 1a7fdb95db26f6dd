"""A sampler's state as bytes, for a checkpoint: arrays as .npy members, the rest as JSON.

Nothing is pickled, so reading a checkpoint never executes anything, and arrays and numbers come
back to the bit.
"""

from __future__ import annotations

import io
import json
import zipfile
from typing import Any

import numpy as np

from shared.errors import ParameterError

_TREE_NAME = "state.json"
_ARRAY_KEY = "array"


def state_to_bytes(state: dict[str, Any]) -> bytes:
    """Pack nested dicts of arrays, numbers, strings and None, as `Sampler.state` returns them.

    The same state gives the same bytes: an uncompressed zip archive.
    """
    arrays: list[np.ndarray[Any, Any]] = []

    def replace(value: object) -> object:
        if isinstance(value, dict):
            return {key: replace(entry) for key, entry in value.items()}
        if isinstance(value, np.ndarray):
            arrays.append(value)
            return {_ARRAY_KEY: len(arrays) - 1}
        return value.item() if isinstance(value, np.generic) else value

    tree = json.dumps(replace(state))
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        # ZipInfo's fixed default date keeps the bytes free of the clock.
        archive.writestr(zipfile.ZipInfo(_TREE_NAME), tree)
        for index, array in enumerate(arrays):
            member = io.BytesIO()
            np.lib.format.write_array(member, np.asarray(array), allow_pickle=False)
            archive.writestr(zipfile.ZipInfo(f"{index}.npy"), member.getvalue())
    return buffer.getvalue()


def state_from_bytes(data: bytes) -> dict[str, Any]:
    """Unpack what `state_to_bytes` returned.

    Raises
    ------
    ParameterError
        If the bytes are damaged or something else.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            tree = json.loads(archive.read(_TREE_NAME))
            state = _with_arrays(tree, archive)
    except Exception as error:
        # Damaged bytes raise a dozen kinds of errors in zipfile, json and numpy.
        raise ParameterError(
            f"the saved state of the search can't be read ({error}); it must be bytes written by "
            "state_to_bytes. Use an older checkpoint, or start the search anew."
        ) from error
    if not isinstance(state, dict):
        raise ParameterError(
            "the saved state of the search holds no fields; it must be bytes written by "
            "state_to_bytes. Use an older checkpoint, or start the search anew."
        )
    return state


def _with_arrays(value: object, archive: zipfile.ZipFile) -> Any:  # noqa: ANN401 (a JSON tree)
    """Put the arrays back in their places."""
    if not isinstance(value, dict):
        return value
    if set(value) == {_ARRAY_KEY}:
        member = io.BytesIO(archive.read(f"{value[_ARRAY_KEY]}.npy"))
        return np.lib.format.read_array(member, allow_pickle=False)
    return {key: _with_arrays(entry, archive) for key, entry in value.items()}
