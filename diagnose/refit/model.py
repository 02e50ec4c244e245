"""Probabilities of fault sets as a function of the rates, with exact derivatives.

Rates are marginal, as the machine file has them: `m_f` of every mode and of what is not listed,
`q_c` of every shared cause that is a thing of its own. The chance of a mode without causes is
`b_f = m_f / prod_c (1 + Q_c (F_cf - 1))`, see `diagnose.faults.priors`; factors `F` are free where
their cause was looked for, one for each part that it raises, and held elsewhere. With K the
combination of causes that are there, and `p_fK = b_f prod_{c in K} F_cf`,

    P(S, K) = P(K) prod_{parts not in S} (1 - sum_f p_fK) prod_{f in S} p_fK.

The parameters are logarithms of the rates and free factors over the shipped ones.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diagnose.faults.words import UNLISTED

if TYPE_CHECKING:
    from collections.abc import Container

    from diagnose.faults.behaviour import Behaviour
    from diagnose.faults.priors import Priors

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LEAST_OK = 1e-3
"""Below this chance of being good the logarithm goes on as a straight line: the fit may pass
through rates with which a part would fail for certain, and must find its way back."""


@dataclass(frozen=True, slots=True, eq=False)
class RateModel:
    """What the probabilities of fault sets are made of.

    Attributes:
        faults: (part, mode) by number, the unlisted ones last.
        causes: ids of the shared causes, the free ones first.
        n_free: how many are free.
        part_of: (faults,) number of the part; what is not listed is one part.
        marginal: (faults,) shipped rates, as probabilities.
        chance: (free causes,) the same of the causes.
        factor: (causes, faults) by what each cause multiplies each mode.
        triggers: (causes, faults) whether the mode is the cause.
        raises: number of the cause and those of the modes it raises, of each free factor.
    """

    faults: tuple[tuple[str, str], ...]
    causes: tuple[str, ...]
    n_free: int
    part_of: Ints
    marginal: Floats
    chance: Floats
    factor: Floats
    triggers: NDArray[np.bool_]
    raises: tuple[tuple[int, tuple[int, ...]], ...] = ()

    @property
    def n_faults(self) -> int:
        """Modes, and what is not listed by complaint."""
        return len(self.faults)

    @property
    def n_rates(self) -> int:
        """Rates: of the faults, then of the free causes."""
        return self.n_faults + self.n_free

    @property
    def n(self) -> int:
        """Parameters: the rates, then the free factors."""
        return self.n_rates + len(self.raises)

    @property
    def names(self) -> tuple[tuple[str, str], ...]:
        """What each rate is of; a cause has no mode."""
        return (*self.faults, *((cause, "") for cause in self.causes[: self.n_free]))

    @property
    def shipped(self) -> Floats:
        """(rates,) as shipped, as probabilities."""
        return np.concatenate([self.marginal, self.chance])


@dataclass(frozen=True, slots=True, eq=False)
class Point:
    """The model at some rates.

    Attributes:
        rates: (rates,) as probabilities.
        factor: (causes, faults) by what each cause multiplies each mode.
        free: (free combinations,) probability of each.
        good: (combinations,) chance that no part has a fault.
        odds: (faults + 1, combinations) of each fault; the last row, 1, stands for none.
        pull: (faults, combinations) how fast the logarithm of a part's being good falls.
        raised: (causes, faults) `1 + Q_c (F_cf - 1)`.
    """

    rates: Floats
    factor: Floats
    free: Floats
    good: Floats
    odds: Floats
    pull: Floats
    raised: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Masses:
    """Weights of fault sets with combinations of causes, added up.

    Attributes:
        all_of: (combinations,) of all sets.
        by_part: (parts, combinations) of the sets in which a part has failed.
        by_fault: (faults, combinations) of the sets that hold a fault.
    """

    all_of: Floats
    by_part: Floats
    by_fault: Floats


def make_model(
    behaviour: Behaviour, priors: Priors, looked_for: Container[str] = frozenset()
) -> RateModel:
    """The model of a machine.

    Args:
        behaviour: of the machine.
        priors: shipped.
        looked_for: shared causes whose factors are free.
    """
    machine, n = behaviour.machine, len(behaviour.faults)
    number = {fault: place for place, fault in enumerate(behaviour.faults)}
    factor, raises = np.ones((len(priors.causes), n)), list[tuple[int, tuple[int, ...]]]()
    for row, name in enumerate(priors.causes):
        for raised in machine.shared_causes[name].raises:
            modes = tuple(number[raised.part, mode] for mode in raised.modes)
            factor[row, list(modes)] = raised.factor
            if name in looked_for:
                raises.append((row, modes))
    chance = [machine.shared_causes[c].per_1000_jobs / 1000.0 for c in priors.causes]
    return RateModel(
        faults=behaviour.faults,
        causes=priors.causes,
        n_free=priors.n_free,
        part_of=behaviour.part_of.astype(np.int64),
        marginal=behaviour.priors.astype(np.float64),
        chance=np.array(chance[: priors.n_free]),
        factor=factor,
        triggers=priors.triggers[:, :n],
        raises=tuple(raises),
    )


def at_rates(model: RateModel, log_ratio: Floats) -> Point:
    """The model where rates and free factors are the shipped ones times `exp(log_ratio)`."""
    rates, factor = model.shipped * np.exp(log_ratio[: model.n_rates]), model.factor.copy()
    for (cause, modes), off in zip(model.raises, log_ratio[model.n_rates :], strict=True):
        factor[cause, list(modes)] *= np.exp(off)
    marginal, chance = rates[: model.n_faults], rates[model.n_faults :]
    chance = np.minimum(chance, 0.99)
    there = np.concatenate([chance, model.triggers[model.n_free :] @ marginal])
    raised = 1.0 + there[:, None] * (factor - 1.0)
    base = marginal / raised.prod(axis=0)
    bits = np.arange(1 << len(model.causes))[:, None] >> np.arange(len(model.causes)) & 1
    chances = base[:, None] * np.where(bits[:, :, None], factor, 1.0).prod(axis=1).T
    fails = np.zeros((int(model.part_of.max()) + 1, len(bits)))
    np.add.at(fails, model.part_of, chances)
    log_ok = _log_ok(1.0 - fails)
    odds = np.ones((model.n_faults + 1, len(bits)))
    odds[:-1] = chances * np.exp(-log_ok)[model.part_of]
    free = np.ones(1)
    for own in chance.tolist():
        free = np.concatenate([free * (1.0 - own), free * own])
    pull = chances / np.maximum(1.0 - fails, LEAST_OK)[model.part_of]
    return Point(rates, factor, free, np.exp(log_ok.sum(axis=0)), odds, pull, raised)


def _log_ok(ok: Floats) -> Floats:
    """Logarithm, a straight line below `LEAST_OK`."""
    floor = np.maximum(ok, LEAST_OK)
    found: Floats = np.log(floor) + np.maximum((ok - floor) / LEAST_OK, -30.0)
    return found


def slope(model: RateModel, point: Point, masses: Masses) -> Floats:
    """(parameters,) derivative of a sum of `weight(S, K) ln P(S, K)`, the weights held.

    Args:
        model: the model.
        point: where.
        masses: the weights, added up.
    """
    bits = np.arange(len(point.good))
    absent = masses.all_of[None, :] - masses.by_part
    by_chance = masses.by_fault - point.pull * absent[model.part_of]  # (faults, combinations)
    by_base = by_chance.sum(axis=1)
    rates, n = point.rates, model.n_faults
    found = np.concatenate([by_base, np.zeros(model.n - n)])
    there_of = np.append(rates[n:], model.triggers[model.n_free :] @ rates[:n])
    for place, (cause, modes) in enumerate(model.raises, model.n_rates):
        own, there = list(modes), (bits >> cause & 1).astype(bool)
        chance = min(float(there_of[cause]), 0.99 if cause < model.n_free else 1.0)
        bend = chance * point.factor[cause, own] / point.raised[cause, own]
        found[place] = by_chance[own][:, there].sum() - float(by_base[own] @ bend)
    for cause in range(len(model.causes)):
        bend = (point.factor[cause] - 1.0) / point.raised[cause]
        moved = -float(by_base @ bend)
        if cause < model.n_free:
            chance = min(float(rates[n + cause]), 0.99)
            there = (bits >> cause & 1).astype(bool)
            own = masses.all_of[there].sum()
            own -= masses.all_of[~there].sum() * chance / (1.0 - chance)
            found[n + cause] += float(own) + chance * moved
        else:
            found[:n] += np.where(model.triggers[cause], rates[:n] * moved, 0.0)
    return found


def is_unlisted(model: RateModel) -> NDArray[np.bool_]:
    """(faults,) which stand for what is not listed."""
    return np.array([part == UNLISTED for part, _ in model.faults])
