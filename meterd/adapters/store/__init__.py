"""What is stored: the journal of readings and the figures made from them.

One process writes, any number read. A reading counts for the rest of the program only after its transaction is
committed. Figures are versioned: a changed one gets a new version with a reason, the old one stays readable.

Read `read_store` and `write_store`, which say what others may ask of a store, and `opening`; `journal` is the store.
"""
