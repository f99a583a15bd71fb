"""Where core and adapters meet.

Read `operations` (one use case for each file, for daemon, page and commands alike), `daemon`, `cli`.
`operations` imports core and adapters except web, `daemon` and `cli` import operations; neither does arithmetic.
"""
