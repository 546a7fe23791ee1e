"""BLAS on one thread: frequencies are spread over cores already, and two layers of threads get in each other's way."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import ParamSpec, TypeVar

import numpy as np  # noqa: F401  its BLAS must be loaded before it is limited
import scipy.linalg  # noqa: F401  so must this one's
from threadpoolctl import threadpool_limits

Arguments = ParamSpec("Arguments")
Outcome = TypeVar("Outcome")


def one_blas_thread(work: Callable[Arguments, Outcome]) -> Callable[Arguments, Outcome]:
    """The same work, BLAS kept to one thread meanwhile."""

    @wraps(work)
    def limited(*arguments: Arguments.args, **named: Arguments.kwargs) -> Outcome:
        with threadpool_limits(limits=1, user_api="blas"):
            return work(*arguments, **named)

    return limited
