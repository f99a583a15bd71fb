"""One file for each page: the answer as typed values, and `view()`, which makes it.

Read `overview` first; `registry` beside this folder lists them.
"""
