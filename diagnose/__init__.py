"""Fault diagnosis for machines that will not start."""

from typing import TYPE_CHECKING

from diagnose.house import lazy_names, own_folders

if TYPE_CHECKING:
    from diagnose.advice.advice import Advice
    from diagnose.inference.compiled import CompiledNetwork, compile_network
    from diagnose.job import Job
    from diagnose.machine.load import load_machine
    from diagnose.machine.model import Machine
    from diagnose.refit.refit import refit
    from diagnose.review.review import review_machine
    from diagnose.trial.run import run_trial

__all__ = [
    "Advice",
    "CompiledNetwork",
    "Job",
    "Machine",
    "compile_network",
    "load_machine",
    "refit",
    "review_machine",
    "run_trial",
]
__path__ = own_folders(__file__)

if not TYPE_CHECKING:
    __getattr__, __dir__ = lazy_names(
        __name__,
        {
            "Advice": "diagnose.advice.advice",
            "CompiledNetwork": "diagnose.inference.compiled",
            "Job": "diagnose.job",
            "Machine": "diagnose.machine.model",
            "compile_network": "diagnose.inference.compiled",
            "load_machine": "diagnose.machine.load",
            "refit": "diagnose.refit",
            "review_machine": "diagnose.review.review",
            "run_trial": "diagnose.trial.run",
        },
    )
