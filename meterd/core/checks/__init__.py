"""What a person should look at: each file has rules that turn values into findings.

Read `rules`, `root_cause`, `staleness`, then the checks of single subjects.
Imports the packages from `model` to `sharing`.
"""
