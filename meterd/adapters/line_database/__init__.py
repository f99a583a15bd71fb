"""Figures and readings out to a database that takes line protocol, from a durable cursor in the store.

Read `responses`, `client`, `feed`. May use `adapters.store`.
"""
