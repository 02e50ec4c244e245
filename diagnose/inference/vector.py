"""A few numbers side by side as one value of compiled code.

numba leaves short runs of neighbouring numbers as single steps. A type that stands for a vector
register leaves no choice: a load, a sum or a product of all lanes is one step.

Blocks hold `LANES` numbers per entry next to each other; entry `k` is
`block[k * LANES:(k + 1) * LANES]`.
"""

from __future__ import annotations

from typing import Any, cast

from llvmlite import ir  # type: ignore[import-untyped]
from numba import types
from numba.extending import intrinsic, models, register_model

from diagnose.inference.layout import LANES

_LANES = ir.VectorType(ir.DoubleType(), LANES)
_ALIGNMENT = 8  # bytes: all that numpy promises


class Vector(types.Type):
    """`LANES` doubles."""

    def __init__(self, name: str) -> None:
        super().__init__(name)


VECTOR = Vector(f"Vector({LANES})")


@register_model(Vector)
class _VectorModel(models.PrimitiveModel):
    def __init__(self, manager: Any, kind: Any) -> None:
        super().__init__(manager, kind, _LANES)  # type: ignore[no-untyped-call]


def _place(context: Any, builder: Any, kind: Any, block: Any, entry: Any) -> Any:
    """Address of an entry of a block."""
    held = context.make_array(kind)(context, builder, block)
    first = builder.mul(entry, ir.Constant(entry.type, LANES))
    return builder.bitcast(builder.gep(held.data, [first]), _LANES.as_pointer())


def _load(_typing: Any, block: Any, _entry: Any) -> Any:
    """Reads an entry of a block."""

    def emit(context: Any, builder: Any, signature: Any, given: Any) -> Any:
        address = _place(context, builder, signature.args[0], *given)
        return builder.load(address, align=_ALIGNMENT)

    return VECTOR(block, types.uint64), emit


def _store(_typing: Any, block: Any, _entry: Any, _value: Any) -> Any:
    """Writes an entry of a block."""

    def emit(context: Any, builder: Any, signature: Any, given: Any) -> Any:
        address = _place(context, builder, signature.args[0], *given[:2])
        builder.store(given[2], address, align=_ALIGNMENT)
        return context.get_dummy_value()

    return types.void(block, types.uint64, VECTOR), emit


def _plus(_typing: Any, _one: Any, _other: Any) -> Any:
    """Lane by lane."""

    def emit(_context: Any, builder: Any, _signature: Any, given: Any) -> Any:
        return builder.fadd(*given)

    return VECTOR(VECTOR, VECTOR), emit


def _in_all_lanes(builder: Any, value: Any) -> Any:
    whole = ir.Constant(_LANES, ir.Undefined)
    for lane in range(LANES):
        whole = builder.insert_element(whole, value, ir.Constant(ir.IntType(32), lane))
    return whole


def _times(_typing: Any, _factor: Any, _value: Any) -> Any:
    """One number times each lane."""

    def emit(_context: Any, builder: Any, _signature: Any, given: Any) -> Any:
        return builder.fmul(_in_all_lanes(builder, given[0]), given[1])

    return VECTOR(types.float64, VECTOR), emit


def _nothing(_typing: Any) -> Any:
    """0 in every lane."""

    def emit(_context: Any, _builder: Any, _signature: Any, _given: Any) -> Any:
        return ir.Constant(_LANES, [0.0] * LANES)

    return VECTOR(), emit


load = cast("Any", intrinsic(_load))
store = cast("Any", intrinsic(_store))
plus = cast("Any", intrinsic(_plus))
times = cast("Any", intrinsic(_times))
nothing = cast("Any", intrinsic(_nothing))
