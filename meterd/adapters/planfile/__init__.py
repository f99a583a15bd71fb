"""The metering plan: text files in, one frozen `Site` out, or every fault at once with file, line and column.

Read `loader` (the order of the steps), `read`, `schema`, `field_types`, `defaults`, `checks/`, `build`;
`edit`, `csv_editor` and `renaming` change a plan for a command.
"""
