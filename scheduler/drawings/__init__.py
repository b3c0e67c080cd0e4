"""Pictures as SVG text, made of pages alone: no browser, no script, no plotting library.

Colours are classes (`water`, `rain`, `deficit`...) that the page around them paints; each picture carries a
title and a description for those who hear it, and stands beside a table of the same numbers.
"""
