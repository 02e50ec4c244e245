"""Which form of an answer a client takes: `Accept` (RFC 9110, section 12.5.1)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from .refusals import NotAcceptableError

if TYPE_CHECKING:
    from collections.abc import Sequence


def chosen(accept: str, forms: Sequence[str]) -> str:
    """The form that the client likes best; of equals the first.

    Args:
        accept: as it was sent; what cannot be read in it is passed over.
        forms: media types that there are, the usual one first.

    Raises:
        NotAcceptableError: it takes none of them.
    """
    if not accept.strip():
        return forms[0]
    liked = [_liking(accept, form) for form in forms]
    best = max(liked)
    if best <= 0.0:
        raise NotAcceptableError(forms)
    return forms[liked.index(best)]


def _liking(accept: str, form: str) -> float:
    """How much a form is liked, 0 to 1: by what matches it most closely."""
    kind = form.partition("/")[0]
    ranks = {form: 3, f"{kind}/*": 2, "*/*": 1}
    found = (0, 0.0)
    for entry in accept.lower().split(","):
        name, *rest = (part.strip() for part in entry.split(";"))
        rank = ranks.get(name, 0)
        if rank > found[0]:
            found = (rank, _quality(rest))
    return found[1]


def _quality(parameters: Sequence[str]) -> float:
    for parameter in parameters:
        name, _, value = parameter.partition("=")
        if name.strip() == "q":
            try:
                return min(max(float(value), 0.0), 1.0)
            except ValueError:
                return 0.0
    return 1.0
