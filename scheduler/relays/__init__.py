"""Valve drivers, one file each, behind `base`; imported only when a valve names them."""
