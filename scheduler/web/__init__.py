"""The page for phones in the house's own network: who may see and ask what, and the server that answers.

It shows what is on disk and what the commands print, and asks the service for what it is to do: it computes
nothing, holds no valve, and where the service manager runs it, it cannot write the records.
"""
