"""One use case for each file: what daemon, page and commands have in common.

Read `ledger` (the one that writes the store), `queries`, `orders`, `order_handler`, then by subject.
Imports core and adapters except web.
"""
