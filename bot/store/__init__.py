"""Redis as the database: one record a grower, read in one round trip and written in one.

`keys` spells every key, `codec` the stored record, `growers` holds the `Store` with its
scripts (`*.lua`), and `server` starts an embedded Redis where the operator has none.
"""
