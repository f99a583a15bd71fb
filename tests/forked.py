"""Loaded by the process from which `programs.py` forks: what every start of a daemon with a page would do again."""

import meterd.adapters.web.server  # noqa: F401
from meterd.adapters.web.app import routes

routes()
