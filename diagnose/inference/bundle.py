"""A compiled network as named arrays and back, without pickle."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np

from diagnose.errors import NetworkError
from diagnose.inference.findings import Names
from diagnose.inference.plan import Plan

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

BUNDLE_VERSION = 1


def plan_to_arrays(names: Names, plan: Plan) -> dict[str, NDArray[Any]]:
    """The arrays of a plan and the names as JSON text in bytes."""
    text = json.dumps(
        {
            "version": BUNDLE_VERSION,
            "nodes": names.nodes,
            "states": names.states,
            "parents": names.parents,
        },
        ensure_ascii=False,
        separators=(",", ":"),
    )
    arrays: dict[str, NDArray[Any]] = {"names": np.frombuffer(text.encode(), np.uint8)}
    arrays.update((name, getattr(plan, name)) for name in Plan.__slots__)
    return arrays


def plan_from_arrays(arrays: Mapping[str, NDArray[Any]]) -> tuple[Names, Plan]:
    """The inverse of `plan_to_arrays`.

    Raises:
        NetworkError: when an array is missing, or the arrays are of another version.
    """
    try:
        text = json.loads(np.asarray(arrays["names"], np.uint8).tobytes())
        if text["version"] != BUNDLE_VERSION:
            raise NetworkError(f"arrays of version {text['version']}, expected {BUNDLE_VERSION}")
        names = Names(
            tuple(text["nodes"]),
            tuple(tuple(own) for own in text["states"]),
            tuple(tuple(above) for above in text["parents"]),
        )
        held = {name: _frozen(arrays[name], dtype) for name, dtype in _DTYPES.items()}
    except (KeyError, TypeError, ValueError, UnicodeDecodeError) as error:
        raise NetworkError(f"these arrays are not a compiled network: {error!r}") from error
    return names, Plan(**held)


_DTYPES: dict[str, type[np.generic]] = {
    "cliques": np.int64,
    "tables": np.int64,
    "leaves": np.int64,
    "index": np.uint32,
    "number": np.float64,
    "combinations": np.int32,
    "table_scopes": np.int64,
    "table_starts": np.int64,
    "sizes": np.int64,
}


def _frozen(array: NDArray[Any], dtype: type[np.generic]) -> NDArray[Any]:
    held = np.array(array, dtype=dtype, order="C")
    held.setflags(write=False)
    return held
