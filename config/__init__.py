"""The tables that ship with the program: crops.yaml and soils.yaml, each figure with its source."""
