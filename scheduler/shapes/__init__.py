"""The shape of every page: its keys, the unit in each name, and what may be missing. Nothing here is run.

A page is a plain dictionary, ready to be written as JSON; these types say what is in it.  `pages` makes them,
`cli/text` and `plots` show them, `today.json` and `schedule.json` hold them, and config/pages.schema.json,
which is shipped for all who read the files, is made from them.
"""
