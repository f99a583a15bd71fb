"""Values in, values out: no clock, file, socket, thread or log.

Read in the order of the data, which is also the order in which packages may import each other:
errors, model, registers, balance, pv, energy, drift, sharing, checks, topics, reports, texts, engine.
`engine` is the only file that knows the whole order of a step. Imports nothing from adapters or app.
"""
