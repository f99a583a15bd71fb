"""Every example in a docstring gives what stands below it."""

import doctest
import importlib
import inspect
import pkgutil

import meterd


def test_examples_of_all_docstrings_run() -> None:
    """Found when the first of them called a class by a name that it no longer had: nothing had run them."""
    tried, wrong = 0, []
    for module in pkgutil.walk_packages(meterd.__path__, "meterd."):
        if module.name.endswith("__main__"):
            continue
        loaded = importlib.import_module(module.name)
        if ">>>" not in inspect.getsource(loaded):
            continue
        result = doctest.testmod(loaded)
        tried += result.attempted
        if result.failed:
            wrong.append(f"{module.name}: {result.failed} of {result.attempted} examples")
    assert tried > 100
    assert wrong == []
