"""Large libraries that few tests compare with: loaded by the first test that uses one.

Every worker reads every file of tests before the first test begins; statsmodels and scipy at the top of seven files took a
fifth of that time, in each worker.
"""

import importlib


class Late:
    """A module that is loaded with the first look at one of its names. pytest asks every object it finds for its own names."""

    def __init__(self, name: str) -> None:
        self._name = name

    def __getattr__(self, name: str) -> object:
        if name.startswith(("_", "pytest")):
            raise AttributeError(name)
        return getattr(importlib.import_module(self._name), name)


distributed = Late("distributed")
stats = Late("scipy.stats")
linalg = Late("scipy.linalg")
optimize = Late("scipy.optimize")
linear_model = Late("statsmodels.regression.linear_model")
