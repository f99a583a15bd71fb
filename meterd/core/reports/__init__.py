"""Contents of documents as values: the month's report, cost allocation, the check report of an import, the diagram of a board.

Read `figures`, `content`, then the others.
Imports the packages from `model` to `topics`.
"""
