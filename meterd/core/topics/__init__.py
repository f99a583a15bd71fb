"""Derived values on their way out: one table of topics, the messages, the catalogue, lines for a database.

Read `definition`, `table`, `message`, `senml`, then `asyncapi`, `fleet`, `shared_files` and `line_protocol`.
Imports the packages from `model` to `checks`.
"""
