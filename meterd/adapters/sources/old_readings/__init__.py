"""Old readings as people have them: exports of spreadsheets and other programs, loaded by commands only, never by the daemon.

Read `container` (files inside files), `grid` (cells as text), `time_cells`, `number_cells`, `mapping` (what a file's
columns mean), `column_names`, `proposal` (the mapping guessed from the file), then `interval_line` and `reader`.
"""
