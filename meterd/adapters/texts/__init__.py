"""Texts of the page and of findings in both languages, in `catalogue/`, numbers and times as each language writes them.

An adapter because it reads files; page, documents and commands may use it.
"""
