"""Old readings from files: tables are read in chunks, cells become values, columns become registers.

Read `settings`, `tables`, `cells`, `columns`, `history`, then `source`, which watches a folder.
"""
