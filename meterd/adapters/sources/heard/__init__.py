"""What a broker carries, for a plan that is not written yet: topics to values, values to registers with a reason.

Read `listen` (the only file with a connection), `values`, `words`, `units`.
"""
