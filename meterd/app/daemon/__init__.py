"""The running program: sources in, one loop that owns state and store, topics out.

Read `daemon`, `assembly`, `loop`, `ingest`, `finding_job`, `output`, then `supervisor` and `plan_reload`.
Imports core, adapters and operations.
"""
