"""The tables of a mapping that do not depend on the form of export: a module each, with its model and its checks.

A module's `check` notes what is wrong with its table that the model alone cannot see: agreements between its keys, with
other tables and with the vocabulary. `gateway.mapping.static` runs them in order. The tables of the forms of export are
in `gateway.mapping.forms`.
"""
