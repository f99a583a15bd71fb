"""Everything that touches the world, one folder for each thing outside. Adapters import core and do not know each other.

Exceptions, held by `tests/test_layers.py`: `mqtt` may be used by sources, publish and simulator, `store` by line_database,
the registry of protocols in `sources` by planfile, `runtime` (clock, log) and `texts` (catalogues of both languages) by all.
"""
